//! What a suite needs to know of a kernel; passed in, so that a suite can be checked against any list.

use crate::kernels::{Body, catalogue};
use crate::model::LoadClass;

/// How a kernel works, as far as a suite cares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum KernelBody {
    /// By itself, in a small arena.
    Compute,
    /// Over a region of memory whose size the suite gives.
    Walk,
    /// Together with the other workers of its load.
    Group,
}

impl KernelBody {
    /// Plain words for messages.
    pub fn words(self) -> &'static str {
        match self {
            Self::Compute => "computes by itself",
            Self::Walk => "walks memory",
            Self::Group => "exchanges data between cores",
        }
    }
}

/// One kernel as a suite sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KernelFact {
    /// Its name.
    pub name: String,
    /// Its load class.
    pub class: LoadClass,
    /// How it works.
    pub body: KernelBody,
}

/// The kernels of this program.
pub fn known_kernels() -> Vec<KernelFact> {
    let facts = catalogue().into_iter().map(|spec| KernelFact {
        name: spec.name.to_string(),
        class: spec.class,
        body: match spec.body {
            Body::Compute { .. } => KernelBody::Compute,
            Body::Walk { .. } => KernelBody::Walk,
            Body::Group { .. } => KernelBody::Group,
        },
    });
    facts.collect()
}

/// The kernel called `name` in a list.
pub(super) fn find<'k>(kernels: &'k [KernelFact], name: &str) -> Option<&'k KernelFact> {
    kernels.iter().find(|kernel| kernel.name == name)
}
