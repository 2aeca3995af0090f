//! Writes the inner blocks of the multiply-add and all-units kernels as assembler text. A compiler
//! neither keeps their chains in registers nor staggers them, and by hand the staggered order of a hundred
//! and more instructions cannot be kept right for every width; a schedule can.

mod blocks;
mod schedule;
mod units;

use std::error::Error;
use std::path::PathBuf;

#[expect(
    clippy::disallowed_methods,
    reason = "cargo speaks to a build script through its environment"
)]
fn main() -> Result<(), Box<dyn Error>> {
    if std::env::var("CARGO_CFG_TARGET_ARCH")? == "x86_64" {
        let folder = PathBuf::from(std::env::var("OUT_DIR")?);
        std::fs::write(folder.join("fma_blocks.s"), blocks::assembler_text())?;
        std::fs::write(folder.join("units_blocks.s"), units::assembler_text())?;
    }
    Ok(())
}
