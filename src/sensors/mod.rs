//! Readers over a root folder, the sampler, and what the machine says of itself.
