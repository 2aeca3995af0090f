//! The locating of wrong elements; whole passes are checked in `tests/it/compute_kernels.rs`.

use super::*;

fn product() -> Vec<u64> {
    let mut arena = vec![0; WORDS];
    let mut matrices = Matrices::new(&mut arena);
    set_up(&mut matrices);
    matrices.product.to_vec()
}

#[test]
fn a_right_product_has_no_wrong_element() {
    assert_eq!(locate(&product(), 0), None);
}

#[test]
fn every_single_wrong_element_is_located_with_its_right_value() {
    let right = product();
    for word in 0..PRODUCT {
        for bit in 0..64 {
            let mut wrong = right.clone();
            wrong[word] ^= 1 << bit;
            let located = Located {
                step: 5,
                word: word as u64,
                expected: right[word],
                got: wrong[word],
            };
            assert_eq!(locate(&wrong, 5), Some(located), "bit {bit} of word {word}");
        }
    }
}

#[test]
fn two_wrong_elements_are_not_taken_for_one() {
    let mut wrong = product();
    wrong[40] ^= 1 << 50;
    wrong[90] ^= 1 << 50;
    assert_eq!(locate(&wrong, 0), None);
}
