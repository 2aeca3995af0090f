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

/// `all-units.l1`.
pub(super) static ALL_UNITS_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 1024,
        answer: [
            0x7b2f_77cb_89ba_b9c5,
            0x0599_8978_d0fa_7e20,
            0xed50_ef46_9215_be21,
            0x2fef_448e_e168_aaea,
            0x37f1_465b_2196_c2f5,
            0x73fd_974f_9747_b7c9,
            0x19f1_5bd6_f75a_fca5,
            0x326d_9930_296c_63a7,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x9e80_1792_bfb6_74b1,
            0xafb0_bfeb_edc9_c9be,
            0x496a_131d_3e05_5f87,
            0xcc9b_5cce_9ea0_9839,
            0xcf4c_f176_7bac_c8d3,
            0xa8b9_308e_e3fb_5e34,
            0x4c15_265e_a905_97f9,
            0x6d07_d5df_5e06_24dc,
        ],
    },
    KnownAnswer {
        rounds: 11,
        answer: [
            0x2230_fc43_db2a_3e71,
            0xadd1_9980_5ce5_82e1,
            0x6957_1d94_c391_0c10,
            0x183e_1da8_3906_da38,
            0x5c71_a7c1_7f8a_c81b,
            0xda93_9102_96c1_e40c,
            0x4ba8_f667_e861_92dd,
            0xf182_9d31_03fc_5b94,
        ],
    },
];

/// `vec-int52.l1`.
pub(super) static VEC_INT52_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 4096,
        answer: [
            0xdafc_f7ab_514a_78b5,
            0x780d_3265_3246_9c98,
            0x5263_6809_a289_51e5,
            0x1a58_2a8c_9533_2328,
            0x4337_bdb9_d87f_43a6,
            0xefbc_9bd2_fbcf_7435,
            0x2c93_5f7f_1c0e_c263,
            0xbb06_bfb4_9e5f_fde0,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x9634_d982_978a_7f2a,
            0x9a56_1f92_fd0c_a610,
            0x8430_4dd2_d2e6_b19a,
            0x184a_71dd_bdc2_095b,
            0x93f2_c79e_0777_1ec6,
            0x67e5_ff05_51e6_9b6a,
            0x2ee6_ce95_14d6_7201,
            0x70d0_e8ec_3d0b_7f4f,
        ],
    },
    KnownAnswer {
        rounds: 11,
        answer: [
            0xce9e_e011_7f92_22c1,
            0x540e_8d03_8db9_3838,
            0xcbb3_fe3c_b59c_5f02,
            0xcb78_946e_abe1_f11a,
            0xdf72_5d26_3b5c_b3a0,
            0x2d47_485c_073c_afcb,
            0xa578_4f3d_3a6f_e944,
            0xf441_5a54_a7bc_6e28,
        ],
    },
];
