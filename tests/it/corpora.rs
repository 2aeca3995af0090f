//! Hostile inputs that fuzzing found worth keeping (`tests/fuzz/corpus`), each tried again.
#![expect(clippy::disallowed_methods, reason = "tests read folders")]

#[path = "../fuzz/bodies.rs"]
mod bodies;

use std::path::Path;

#[test]
fn what_is_kept_of_fuzzing_does_no_harm() {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus");
    for (name, target) in bodies::ALL {
        let mut inputs: Vec<_> = std::fs::read_dir(corpus.join(name))
            .unwrap_or_else(|_| panic!("inputs of {name}"))
            .flatten()
            .collect();
        inputs.sort_by_key(std::fs::DirEntry::file_name);
        assert!(!inputs.is_empty(), "nothing is kept for {name}");
        // Its service would hold the lock of the load from other tests of this process.
        if name == "http" {
            continue;
        }
        for input in inputs {
            println!("{name} {}", input.file_name().display());
            target(&std::fs::read(input.path()).unwrap());
        }
    }
}
