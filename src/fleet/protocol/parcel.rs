//! A record on its way: the export, packed (gzip, RFC 1952) and cut into chunks that fit into messages.

use std::io::{Read, Write};

use flate2::Compression;
use flate2::read::GzDecoder;
use flate2::write::GzEncoder;
use sha2::{Digest, Sha256};

use super::message::Packed;

/// Bytes of one chunk; servers take a megabyte a message.
pub const MOST_CHUNK: usize = 256 << 10;
/// Most chunks of one parcel: 64 MiB.
pub const MOST_CHUNKS: u32 = 256;
/// Most bytes that a parcel may unpack to; an export has about ten times the size of its parcel.
const MOST_UNPACKED: u64 = 1 << 30;

/// A record could not be packed.
#[derive(Debug, thiserror::Error)]
pub enum PackError {
    /// Too large to travel.
    #[error("the record is larger than {} MiB when packed", (MOST_CHUNKS as usize * MOST_CHUNK) >> 20)]
    Large,
    /// The source cannot be read.
    #[error("the record cannot be packed")]
    Io(#[from] std::io::Error),
}

/// A parcel is not what it was said to be.
#[derive(Debug, thiserror::Error)]
pub enum UnpackError {
    /// Not the bytes that were packed.
    #[error("the parcel is damaged: its digest is another one")]
    Digest,
    /// Beyond the limit.
    #[error("the parcel is too large, packed or unpacked")]
    Large,
    /// Not of the form.
    #[error("the parcel cannot be unpacked")]
    Form(#[source] std::io::Error),
}

/// SHA-256 in 64 hexadecimal digits.
pub fn sha256(bytes: &[u8]) -> String {
    let sum = Sha256::digest(bytes);
    sum.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Packs what `fill` writes.
///
/// # Errors
/// It cannot be read, or is too large.
pub fn pack(
    fill: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> Result<(Packed, Vec<u8>), PackError> {
    pack_within(fill, MOST_CHUNKS)
}

/// The same with a limit of one's own, in chunks.
///
/// # Errors
/// As [`pack`].
pub fn pack_within(
    fill: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
    most: u32,
) -> Result<(Packed, Vec<u8>), PackError> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::new(4));
    fill(&mut encoder)?;
    let bytes = encoder.finish()?;
    let chunks = u32::try_from(bytes.len().div_ceil(MOST_CHUNK)).unwrap_or(u32::MAX);
    if chunks > most {
        return Err(PackError::Large);
    }
    let packed = Packed {
        sha256: sha256(&bytes),
        bytes: bytes.len() as u64,
        chunks,
    };
    Ok((packed, bytes))
}

/// Unpacks a parcel, within limits.
///
/// # Errors
/// It is damaged, too large, or no parcel.
pub fn unpack(packed: &Packed, bytes: &[u8]) -> Result<Vec<u8>, UnpackError> {
    unpack_within(packed, bytes, MOST_UNPACKED)
}

/// The same with a limit of one's own, in bytes of what is unpacked.
///
/// # Errors
/// As [`unpack`].
pub fn unpack_within(packed: &Packed, bytes: &[u8], most: u64) -> Result<Vec<u8>, UnpackError> {
    if packed.chunks > MOST_CHUNKS || bytes.len() > MOST_CHUNKS as usize * MOST_CHUNK {
        return Err(UnpackError::Large);
    }
    if bytes.len() as u64 != packed.bytes || sha256(bytes) != packed.sha256 {
        return Err(UnpackError::Digest);
    }
    let mut whole = Vec::new();
    let mut limited = GzDecoder::new(bytes).take(most + 1);
    limited.read_to_end(&mut whole).map_err(UnpackError::Form)?;
    if whole.len() as u64 > most {
        return Err(UnpackError::Large);
    }
    Ok(whole)
}
