//! A whole Debian system for the guest, with its own service manager: made once by `debootstrap` below the cache, and
//! given the program as a package that is not installed yet.

use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, ensure};

use crate::{Bench, host, image};

/// Besides what `debootstrap` takes for the smallest system.
const PACKAGES: &str = "--include=systemd-sysv,dbus,udev,kmod,procps";
/// The release that the kernel of the other guests is of.
const RELEASE: &str = "bookworm";
/// A user without rights.
pub(crate) const USER: &str = "tester";

const UNIT: &str = "[Unit]\nDescription=Commands from the host\nAfter=multi-user.target\n\
    [Service]\nExecStart=/bin/sh /bench/commands\n\
    [Install]\nWantedBy=multi-user.target\n";

/// Makes the disk of a guest: `package` lies in its folder `/bench`.
pub(crate) fn make_disk(bench: &Bench, disk: &Path, package: &Path) -> Result<()> {
    let root = system(bench)?;
    let own = root.join("bench");
    std::fs::create_dir_all(&own)?;
    std::fs::copy(package, own.join("soakproof.deb"))?;
    std::fs::copy(bench.busybox(), own.join("busybox"))?;
    std::fs::write(own.join("commands"), image::COMMANDS)?;
    std::fs::write(root.join("etc/systemd/system/bench-commands.service"), UNIT)?;
    let (disk, root) = (disk.to_string_lossy(), root.to_string_lossy());
    host::output("truncate", &["-s", "1G", &disk])?;
    host::output("mkfs.ext4", &["-q", "-F", "-d", &root, &disk])?;
    Ok(())
}

/// Takes the system from the cache, or makes it.
fn system(bench: &Bench) -> Result<PathBuf> {
    let root = bench.cache.join("debian");
    if root.exists() {
        return Ok(root);
    }
    ensure!(
        host::has("debootstrap"),
        "`debootstrap` is missing (apt install debootstrap)"
    );
    println!("making a Debian system in {}, once", root.display());
    let unfinished = bench.cache.join("debian.unfinished");
    if unfinished.exists() {
        std::fs::remove_dir_all(&unfinished)?;
    }
    let folder = unfinished.to_string_lossy();
    let words = ["--variant=minbase", PACKAGES, RELEASE, &folder];
    host::output("debootstrap", &words).context("only root can make a Debian system")?;
    furnish(bench, &unfinished)?;
    std::fs::rename(&unfinished, &root)?;
    Ok(root)
}

/// The modules of the kernel that the guest boots, a user, a journal that is kept, the port for commands.
fn furnish(bench: &Bench, root: &Path) -> Result<()> {
    let folder = root.to_string_lossy();
    let modules = bench.cache.join("initramfs/lib/modules");
    let there = root.join("lib/modules");
    std::fs::create_dir_all(&there)?;
    let release = &bench.packages.release;
    let (from, to) = (modules.join(release), there.to_string_lossy());
    host::output("cp", &["-r", &from.to_string_lossy(), &to])?;
    host::output("chroot", &[&folder, "depmod", release])?;
    host::output("chroot", &[&folder, "useradd", "--create-home", USER])?;
    std::fs::create_dir_all(root.join("var/log/journal"))?;
    std::fs::write(
        root.join("etc/machine-id"),
        "0123456789abcdef0123456789abcdef\n",
    )?;
    std::fs::write(root.join("etc/hostname"), "bench\n")?;
    let wanted = root.join("etc/systemd/system/multi-user.target.wants");
    std::fs::create_dir_all(&wanted)?;
    symlink(
        "../bench-commands.service",
        wanted.join("bench-commands.service"),
    )?;
    // Debian's own `pidof` goes by the name that a process gives itself, and a worker's is another one.
    for tool in ["xxd", "pidof"] {
        symlink("/bench/busybox", root.join("usr/local/bin").join(tool))?;
    }
    Ok(())
}

/// Packs the program under test as `packaging/build.sh` does.
pub(crate) fn build_package(bench: &Bench, folder: &Path) -> Result<PathBuf> {
    let program = folder.join("soakproof");
    let words = [
        "-o",
        &program.to_string_lossy(),
        &bench.program.to_string_lossy(),
    ];
    host::output(
        "strip",
        &words.map(str::to_owned).each_ref().map(String::as_str),
    )?;
    let tree = Path::new(env!("CARGO_MANIFEST_DIR"));
    let tools = bench.cache.with_file_name("tools").join("bin");
    let build = format!(
        "PATH=$PATH:{} packaging/build.sh {} {}",
        tools.display(),
        folder.display(),
        program.display()
    );
    host::run_in(tree, "sh", &["-c", &build])
        .context("without `cargo-deb` there is no package; `packaging/check.sh` gets it")?;
    let names = host::names_in(folder)?;
    let package = names.iter().find(|name| name.ends_with(".deb"));
    Ok(folder.join(package.context("no package was made")?))
}
