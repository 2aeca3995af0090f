//! The locating of wrong elements; whole passes are checked in `tests/it/compute_kernels.rs`.

use super::*;

fn product() -> Vec<u64> {
    let mut arena = vec![0; WORDS];
    let mut matrices = Matrices::new(&mut arena);
    set_up(&mut matrices, InstructionSet::Portable);
    matrices.product.to_vec()
}

#[test]
fn a_right_product_has_no_wrong_element() {
    assert!(agrees_with_sums(&product()));
    assert_eq!(locate(&product(), 0), None);
}

#[test]
fn every_single_wrong_element_is_located_with_its_right_value() {
    let right = product();
    for word in 0..PRODUCT {
        for bit in 0..64 {
            let mut wrong = right.clone();
            wrong[word] ^= 1 << bit;
            assert!(!agrees_with_sums(&wrong), "bit {bit} of word {word}");
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
    assert!(!agrees_with_sums(&wrong));
    assert_eq!(locate(&wrong, 0), None);
}

/// An operand that is no integer any more, by so little that its products round to what they were.
#[test]
#[cfg(target_arch = "x86_64")]
fn what_is_rounded_away_in_a_product_is_in_the_folds() {
    for set in crate::kernels::detect().sets() {
        if !matches!(set, InstructionSet::Portable | InstructionSet::ScalarFma) {
            continue;
        }
        let mut hidden = 0;
        for element in 0..SIDE * SIDE {
            let mut arena = vec![0; WORDS];
            let mut matrices = Matrices::new(&mut arena);
            set_up(&mut matrices, *set);
            let right = matrices.product.to_vec();
            let folds = matrices.lanes.to_vec();
            multiply_exactly(&mut matrices, *set);
            assert_eq!(matrices.lanes, folds, "an exact product is not reported");
            matrices.left[element] ^= 1;
            multiply_exactly(&mut matrices, *set);
            hidden += u32::from(matrices.product == right);
            assert_ne!(matrices.lanes, folds, "{set:?} element {element}");
        }
        assert!(hidden > 0, "{set:?}: no product hid its operand");
    }
}
