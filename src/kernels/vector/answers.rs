//! Known answers, produced by the naive scalar reference in `tests/it/vector_kernels.rs`
//! (`print_rates_and_reference_answers`), which every test run compares with them anew.

use crate::kernels::KnownAnswer;

/// `fma-f64.l1`.
pub(super) static FMA_F64_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 1024,
        answer: [
            0x21f8_8428_8689_f6f3,
            0x4b6e_2148_ec1f_5393,
            0x4caa_bb25_ebdb_c9fe,
            0x9163_ea74_3612_98af,
            0x9b4f_4e24_3c3e_3cff,
            0x496d_0832_ee1c_7ae9,
            0xe59a_a170_42eb_d3ab,
            0xe2a9_3c11_45d8_4eca,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x9b62_a0d7_4c08_2fab,
            0xfc2a_c9f6_4d37_efcb,
            0x7184_dd29_9af6_2c50,
            0xcfff_06cf_688e_7414,
            0x30c0_712d_823f_78ee,
            0x778b_9604_c696_b039,
            0x6ad4_97d6_81a6_66af,
            0x5674_25de_f105_5705,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x2bca_7da8_d007_0060,
            0xc5e8_02ee_c6d7_acb4,
            0x660a_eb81_df18_7ce7,
            0xa720_e211_b236_9da3,
            0x5ad1_07c0_f196_1698,
            0x10ca_deb6_5869_f92d,
            0x4a03_d030_186f_9078,
            0x9b62_a0d7_4c08_2fab,
        ],
    },
];

/// `fma-f64.l2`.
pub(super) static FMA_F64_L2: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 48,
        answer: [
            0x6644_730b_5385_7bb6,
            0x21d8_d8eb_93b3_6361,
            0x2439_9322_6e5d_44ab,
            0x7448_c691_c425_267b,
            0x568e_b1b7_634f_b90a,
            0x1ba6_0d1c_a9cd_b696,
            0xf24a_9619_b82e_4190,
            0xcfa5_fcad_7fc8_1c47,
        ],
    },
    KnownAnswer {
        rounds: 8,
        answer: [
            0xacb8_8208_0f04_06b4,
            0x5d23_23af_c139_fe82,
            0x0656_88f7_a22c_6d3e,
            0xce77_7878_7c1c_c3f2,
            0x0a0f_71a8_f87a_69ef,
            0x6644_730b_5385_7bb6,
            0x4990_b4c0_e8d9_d521,
            0x6ac0_9de9_daad_7d03,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x7481_f717_555a_d8f2,
            0x9d0a_0239_f215_aab3,
            0x9ba5_8a29_d75d_6719,
            0xacb8_8208_0f04_06b4,
            0xe67c_5652_c3b3_59c5,
            0xb0bb_ad34_6e6b_3941,
            0x0180_a4a9_172d_581f,
            0x5d23_23af_c139_fe82,
        ],
    },
];

/// `fma-f32.l1`.
pub(super) static FMA_F32_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 1024,
        answer: [
            0x4b65_be9e_6494_4461,
            0x00eb_15ef_2f1a_ef10,
            0xb0f0_a631_9f01_5cce,
            0x1a02_cd28_35f3_37d7,
            0x69ab_0abb_465a_f044,
            0xfad0_0c48_d521_f6b7,
            0xb982_4d55_9673_b7aa,
            0x811d_270f_aeec_ddf0,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0xe23a_8a32_2481_9005,
            0xbb33_204e_2963_509c,
            0x709c_a116_aafc_7f1c,
            0x6e69_5218_4198_a8e7,
            0x8ac2_3092_4c79_2aa5,
            0x5460_77f7_c630_0725,
            0x3d9b_7017_e7fb_ae1d,
            0x49d4_96ab_6625_6c54,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0xbc59_4dec_6bda_3f43,
            0x87d0_e582_f642_5011,
            0x93f5_e45f_184c_f324,
            0x80d1_2479_adf3_2e85,
            0xc407_5ce3_c6cf_c194,
            0xbf10_788e_16e9_b077,
            0xe9f8_d21b_3a6a_6112,
            0xe23a_8a32_2481_9005,
        ],
    },
];

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
