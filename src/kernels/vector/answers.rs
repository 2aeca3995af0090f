//! Known answers, produced by the naive scalar reference in `tests/it/vector_kernels.rs`
//! (`print_rates_and_reference_answers`), which every test run compares with them anew.

use crate::kernels::KnownAnswer;

/// `vec-int.l1`.
pub(super) static VEC_INT_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 256,
        answer: [
            0xf747_bbdf_6016_9be6,
            0x883d_f6af_e955_b18a,
            0xeaa2_4321_723e_364c,
            0x799d_4589_aa15_3e2e,
            0x0658_f2b3_f9e2_dee7,
            0x4df7_95b5_c3d2_dd89,
            0xa9c5_790c_1955_5873,
            0x6276_560e_5917_ae37,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x190c_d505_ad0d_a437,
            0x04ba_f3f0_0ecb_0ac7,
            0x060a_5e4f_2148_295f,
            0x01fc_3fab_27f7_4fe8,
            0x55af_292b_437c_799b,
            0xdb88_e142_f436_0a4f,
            0xeef4_2b27_fb26_5df1,
            0xe5c2_6e27_4b8d_8506,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x8412_0e2a_ddeb_482c,
            0x5f15_acf2_145c_b639,
            0x25ec_d4c3_2cf6_1bf3,
            0xffa4_faa8_1408_d2a2,
            0xed86_2e62_5172_2e93,
            0xa67c_4f9f_2971_94b3,
            0xbd73_9abb_44e0_d84f,
            0x190c_d505_ad0d_a437,
        ],
    },
];
