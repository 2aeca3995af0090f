//! The initial RAM disk: busybox, the kernel's modules that the cases need, the program under test with its
//! libraries, and the init script that takes commands from the host.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};

use crate::host;
use crate::packages::Packages;

const INIT: &str = include_str!("guest/init");
pub(crate) const COMMANDS: &str = include_str!("guest/commands");
/// Modules that the init script loads.
const LOADED: [&str; 6] = [
    "crc32c_generic",
    "virtio_pci",
    "virtio_blk",
    "virtio_console",
    "virtio_net",
    "ext4",
];
/// Modules that cases load themselves.
const AT_HAND: [&str; 8] = [
    "acpi_power_meter",
    "i2c-dev",
    "i2c-stub",
    "nct7802",
    "loop",
    "k10temp",
    "i6300esb",
    "igen6_edac",
];

/// Makes the image of `program` below `cache`.
pub(crate) fn make(packages: &Packages, program: &Path, cache: &Path) -> Result<PathBuf> {
    let tree = cache.join("initramfs");
    if tree.exists() {
        std::fs::remove_dir_all(&tree)?;
    }
    for folder in [
        "bin", "proc", "sys", "dev", "data", "tmp", "run", "etc", "root", "usr/bin",
    ] {
        std::fs::create_dir_all(tree.join(folder))?;
    }
    std::fs::copy(packages.path("bin/busybox"), tree.join("bin/busybox"))?;
    std::os::unix::fs::symlink("busybox", tree.join("bin/sh"))?;
    copy_modules(packages, &tree)?;
    copy_program(program, &tree)?;
    std::fs::write(tree.join("etc/passwd"), "root:x:0:0:root:/root:/bin/sh\n")?;
    std::fs::write(tree.join("init"), INIT)?;
    std::fs::write(tree.join("commands"), COMMANDS)?;
    host::run_in(&tree, "chmod", &["755", "init"])?;
    let image = cache.join("initrd");
    let busybox = packages.path("bin/busybox");
    let pack = format!(
        "find . | {} cpio -o -H newc -R 0:0 > {}",
        busybox.display(),
        image.display()
    );
    host::run_in(&tree, "sh", &["-c", &pack])?;
    Ok(image)
}

/// The modules, with all that they need.
fn copy_modules(packages: &Packages, tree: &Path) -> Result<()> {
    let table = std::fs::read_to_string(packages.modules().join("modules.dep"))?;
    let mut files = BTreeSet::new();
    for name in LOADED.iter().chain(&AT_HAND) {
        let ending = format!("/{}.ko", name.replace('-', "_"));
        // What is built into the kernel has no line.
        let line = table.lines().find(|line| {
            let file = line.split(':').next().unwrap_or_default();
            file.replace('-', "_").ends_with(&ending)
        });
        files.extend(
            line.unwrap_or_default()
                .split_whitespace()
                .map(|file| file.trim_end_matches(':')),
        );
    }
    let there = tree.join("lib/modules").join(&packages.release);
    for file in files {
        let to = there.join(file);
        std::fs::create_dir_all(to.parent().context("a folder")?)?;
        std::fs::copy(packages.modules().join(file), to)?;
    }
    let root = tree.to_string_lossy().into_owned();
    let busybox = packages.path("bin/busybox").to_string_lossy().into_owned();
    host::run_in(tree, &busybox, &["depmod", "-b", &root, &packages.release])?;
    std::fs::write(
        tree.join("modules"),
        LOADED.map(|name| format!("{name}\n")).concat(),
    )?;
    Ok(())
}

/// The program without what only a debugger reads, and the libraries that it is linked against.
fn copy_program(program: &Path, tree: &Path) -> Result<()> {
    let to = tree
        .join("usr/bin/soakproof")
        .to_string_lossy()
        .into_owned();
    let from = program.to_string_lossy().into_owned();
    host::output("strip", &["-o", &to, &from])?;
    let libraries = host::output("ldd", &[&from])?;
    let paths = libraries
        .split_whitespace()
        .filter(|word| word.starts_with('/'));
    for library in paths {
        let to = tree.join(library.trim_start_matches('/'));
        std::fs::create_dir_all(to.parent().context("a folder")?)?;
        std::fs::copy(library, to)?;
    }
    Ok(())
}
