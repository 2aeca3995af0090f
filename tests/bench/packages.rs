//! What the guest is made of, fetched once by Debian's own tools into a folder and unpacked there: nothing
//! is installed.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail, ensure};

use crate::host;

/// Packages whose content is needed, besides the kernel. `busybox-static` serves on both sides.
const PACKAGES: [&str; 3] = ["busybox-static", "acpica-tools", "linux-image-amd64"];

/// Unpacked packages.
#[derive(Debug)]
pub(crate) struct Packages {
    folder: PathBuf,
    /// `6.1.0-48-amd64`.
    pub(crate) release: String,
}

impl Packages {
    /// Takes what is in `cache`, or fetches it.
    pub(crate) fn fetch(cache: &Path) -> Result<Self> {
        let folder = cache.join("packages");
        if !folder.join("complete").exists() {
            fetch_into(&folder).context("the packages of the guest cannot be fetched")?;
        }
        let release = host::names_in(&folder.join("root/lib/modules"))?;
        let release = release.into_iter().next().context("no kernel unpacked")?;
        let packages = Self { folder, release };
        if !packages.kernel().exists() {
            packages.unpack_kernel()?;
        }
        Ok(packages)
    }

    /// A path in the unpacked packages.
    pub(crate) fn path(&self, relative: &str) -> PathBuf {
        self.folder.join("root").join(relative)
    }

    /// The kernel, which the emulator starts by its PVH entry.
    pub(crate) fn kernel(&self) -> PathBuf {
        self.folder.join("vmlinux")
    }

    /// Once here and not at each start under emulation. Fields of the header by Linux
    /// Documentation/x86/boot.rst; behind the payload stands its size in 4 bytes.
    fn unpack_kernel(&self) -> Result<()> {
        let image = std::fs::read(self.path(&format!("boot/vmlinuz-{}", self.release)))?;
        let number = |at: usize| -> Result<usize> {
            let bytes = image.get(at..at + 4).context("the kernel is short")?;
            Ok(usize::try_from(u32::from_le_bytes(bytes.try_into()?))?)
        };
        let sectors = usize::from(*image.get(0x1f1).context("the kernel is short")?) + 1;
        let begin = sectors * 512 + number(0x248)?;
        let payload = image.get(begin..begin + number(0x24c)? - 4);
        let payload = payload.context("the kernel is cut off")?;
        ensure!(
            payload.starts_with(b"\xfd7zXZ"),
            "the kernel is not packed by xz"
        );
        std::fs::write(self.folder.join("vmlinux.xz"), payload)?;
        host::run_in(&self.folder, "xz", &["-d", "vmlinux.xz"])?;
        Ok(())
    }

    /// The folder of the kernel's modules.
    pub(crate) fn modules(&self) -> PathBuf {
        self.path(&format!("lib/modules/{}", self.release))
    }
}

fn fetch_into(folder: &Path) -> Result<()> {
    if folder.exists() {
        std::fs::remove_dir_all(folder)?;
    }
    let root = folder.join("root");
    std::fs::create_dir_all(&root)?;
    let [busybox, acpica, kernel_of_today] = PACKAGES;
    let depends = host::output("apt-cache", &["depends", kernel_of_today])?;
    let kernel = depends
        .lines()
        .find_map(|line| line.trim().strip_prefix("Depends: linux-image-"))
        .map(|version| format!("linux-image-{version}"))
        .with_context(|| format!("`{kernel_of_today}` names no kernel: {depends}"))?;
    for package in [busybox, acpica, &kernel] {
        println!("fetching {package}");
        host::run_in(folder, "apt-get", &["-qq", "download", package])?;
    }
    let archives = host::names_in(folder)?;
    for archive in archives.iter().filter(|name| name.ends_with(".deb")) {
        host::run_in(folder, "dpkg", &["-x", archive, "root"])?;
        std::fs::remove_file(folder.join(archive))?;
    }
    ensure!(root.join("bin/busybox").exists(), "no busybox unpacked");
    let release = host::names_in(&root.join("lib/modules"))?;
    let [release] = release.as_slice() else {
        bail!("{} kernels unpacked", release.len());
    };
    let root = root.to_string_lossy().into_owned();
    host::run_in(
        folder,
        &format!("{root}/bin/busybox"),
        &["depmod", "-b", &root, release],
    )?;
    std::fs::write(folder.join("complete"), "")?;
    Ok(())
}
