//! Known answers, produced by the naive reference in `tests/it/compute_kernels/vector_reference.rs`,
//! which every test run compares with them anew.

use crate::kernels::KnownAnswer;

/// `vec-int.l1`.
pub(super) static VEC_INT_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 4096,
        answer: [
            0x5ca6_91a4_134a_06dd,
            0x7910_26c5_c64d_3789,
            0x77a3_fcf2_0406_c5df,
            0xc9b0_7b77_9551_f4a9,
            0x2f28_0e22_6a4e_c10b,
            0x4fef_4104_a1a5_5291,
            0x9bde_6a27_29ca_8d23,
            0x565c_da15_3cd4_4d90,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x89b4_fc10_6fd4_2a95,
            0x1c9c_b865_daea_e867,
            0x7079_ceb8_9e0e_fa2d,
            0xbb97_8b71_f7a3_eeca,
            0xd496_5d01_9f1e_de22,
            0x8455_4ad2_d30b_99d6,
            0xdf93_efce_7a38_9a6f,
            0x1db9_c23e_fe45_83ec,
        ],
    },
    KnownAnswer {
        rounds: 11,
        answer: [
            0x272e_900c_23c7_d0a4,
            0x2ec3_75fe_5225_e500,
            0x2e31_f64a_6a7d_11da,
            0x8b8c_88c7_20ef_10c0,
            0x0acf_127e_836b_1a04,
            0xc509_a519_c1c6_2334,
            0x62ef_769c_c6c1_c079,
            0xb758_dbe1_0d09_0d45,
        ],
    },
];
