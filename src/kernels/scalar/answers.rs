//! Known answers of the family, made by the naive reference in `tests/it/compute_kernels/`.

use crate::kernels::KnownAnswer;

pub(super) static INT_STREAMS: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 200_000,
        answer: [
            0x86b9_ae97_5202_76c5,
            0xf813_473a_f2da_0b49,
            0x2d29_4f08_e9a4_e3a0,
            0x803c_f274_a5e8_9db6,
            0x520d_b3d0_1c2a_79cd,
            0xfb37_47cc_8f53_dcf8,
            0x69e2_66d4_6aaf_f083,
            0xcd1d_d6f6_2178_5a1e,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x498c_4967_6d0a_58f6,
            0x349b_043e_24ae_e8f0,
            0x7f4b_2a2b_148b_4203,
            0xd2f2_4763_8f77_0c7d,
            0x1019_64a6_d7e9_fff9,
            0x7876_026d_de18_b169,
            0xc0fb_81c0_7f44_4613,
            0xfe54_b3bc_d463_450d,
        ],
    },
    KnownAnswer {
        rounds: 7,
        answer: [
            0x2f11_6093_5fd3_1cb2,
            0xfdd5_a7a0_7bf9_4f90,
            0x5d82_a72a_996a_5f9c,
            0xcb8c_10e7_d4c1_a6f3,
            0x9eee_39ba_327f_9b10,
            0x72d3_da5e_0d89_efb7,
            0x2fae_f263_178c_8f04,
            0xbd64_dc49_b106_f1a2,
        ],
    },
    KnownAnswer {
        rounds: 100,
        answer: [
            0x2424_c2c0_e55e_5cf1,
            0x6192_11a3_8cb0_b5ea,
            0xc488_dcbf_4242_c48a,
            0x4521_3304_a61f_cef6,
            0xabc0_662c_dce3_56ed,
            0x564a_1f6f_3adf_f9d1,
            0xd4ab_5575_b25a_7931,
            0x3aeb_c683_e94c_b7a4,
        ],
    },
];
pub(super) static INT_STREAMS_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 12_500,
        answer: [
            0xa9ae_6b02_cf15_3355,
            0xa831_20c8_eabf_fc95,
            0xe12b_9a5f_3bff_6143,
            0x3028_70b3_2e11_6530,
            0xc2ea_7ef7_05dc_0f6e,
            0x3dcb_9f3c_fbc7_723c,
            0xa09e_ea69_a005_677e,
            0xbe75_63a4_1e23_d104,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0xe78c_5a1a_3aae_68fb,
            0xdfde_e09d_37f6_c3dc,
            0xb42d_e5e2_59a1_b68a,
            0x2e16_997b_28f3_11a7,
            0x6435_ac83_cdc9_9a73,
            0xb19a_e36d_7a83_df82,
            0xa002_7d6e_6982_1371,
            0xd1cb_77d0_294e_2616,
        ],
    },
    KnownAnswer {
        rounds: 7,
        answer: [
            0x2336_0967_2f81_f40b,
            0xf76b_4e13_97d0_6b4c,
            0xef84_ed38_3100_d4c1,
            0x7789_15af_9af0_9b26,
            0xd41a_c1ad_c9b2_a139,
            0x91c1_5c08_a504_6df7,
            0x36d4_db2e_56b7_8fc4,
            0x755e_25d2_cd64_c723,
        ],
    },
];

pub(super) static INT_NTT: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 80,
        answer: [
            0x07ec_801a_1ad0_8a4c,
            0x5c2f_eb25_d4b0_d67c,
            0x511b_27f2_801d_863c,
            0x83c5_71d5_ffdf_83d9,
            0xc7e2_67d3_c96f_be98,
            0xf326_c250_0f51_2a05,
            0xc212_78b6_ff72_f859,
            0x35e9_48cd_81d4_5484,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0xb38d_b21d_df26_f88a,
            0x93f4_9fc7_eabe_92a4,
            0xbbe6_6df1_6596_0ef2,
            0x98c9_bbff_1cca_bd62,
            0x677a_077e_964c_743a,
            0x3836_7300_9a36_9097,
            0xadf6_add5_066f_093f,
            0x4d03_644d_944a_d2ea,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0xba4d_43ee_dd64_97e3,
            0x33d9_2883_f38b_83ef,
            0xeeb3_33ca_2df5_92b7,
            0xed5d_7831_74ee_5eeb,
            0x468f_5f7d_ca0d_22c0,
            0xd486_e30b_9295_ac48,
            0xc7ca_f0a2_30c7_ecf9,
            0xc7c7_9774_d2e9_cb25,
        ],
    },
    KnownAnswer {
        rounds: 5,
        answer: [
            0xc8e3_c246_bdc8_96f0,
            0xaba9_d628_cee9_984b,
            0x677d_1831_0ee0_66e2,
            0xfa68_ab6a_a3ee_155f,
            0x4b96_b7f4_5062_2dd8,
            0x3016_4674_92bb_b246,
            0xe4b9_b1c3_d5cf_3f07,
            0xb9f8_437f_1203_fc2d,
        ],
    },
];
pub(super) static INT_DIVIDE: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 120_000,
        answer: [
            0x932b_d4ca_8016_a3a5,
            0x7c03_56f2_e3db_701e,
            0x2da1_622d_b30d_652a,
            0xd571_7a16_3f62_562d,
            0xa247_bdbc_6ac3_cef9,
            0xb6b7_083f_d927_ae31,
            0x5c74_c741_07fb_63ab,
            0x27e8_2675_97ea_f445,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0xddd8_aac7_d14a_79f6,
            0x604e_3268_c6b1_f323,
            0x98b3_0e97_ed32_2129,
            0x3ba6_474b_f915_d237,
            0x0198_b38e_7269_212c,
            0xcffd_9221_78bf_23f2,
            0xa6d5_f978_5fc6_a0c2,
            0xd28b_ac6c_8a77_96ff,
        ],
    },
    KnownAnswer {
        rounds: 7,
        answer: [
            0x10d7_5b5e_2d6c_4533,
            0xd2ce_a5ea_75e3_31b5,
            0x1185_557f_ac5c_b98e,
            0x7cf0_9f5e_eccd_0e05,
            0x87ec_97ee_608b_ec67,
            0x1e20_ba4e_5270_9572,
            0x8253_13a1_9371_c397,
            0xa237_4343_7a79_254f,
        ],
    },
    KnownAnswer {
        rounds: 100,
        answer: [
            0xe875_2e14_7b56_6a7b,
            0x8dcc_a0a8_de33_a68c,
            0x85a9_c51c_089e_7cb4,
            0x0951_f4f9_dd59_6c90,
            0x0278_e993_a56a_2f90,
            0xf5a2_4f48_0f67_eab2,
            0x7a69_e03c_7196_9547,
            0x699d_98a9_6357_c644,
        ],
    },
];
pub(super) static HASH_CHAIN: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 8_000,
        answer: [
            0x8d45_5b55_cb36_834d,
            0xb5ca_ccd4_6bd0_2d2d,
            0x5d63_f25d_76ea_707e,
            0x2755_176d_4afd_cc8e,
            0xe9bc_295c_63ae_a2a7,
            0x1c2d_4333_c61f_1ffc,
            0x7cb2_a47b_27c6_fdb6,
            0x5520_e59f_31b9_04a4,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x3ee1_0fc3_6a6c_1ced,
            0xcd77_b0cb_7d71_e2cd,
            0x914e_5b87_9d1b_4772,
            0x91a7_3fe5_df16_b060,
            0x08ab_e925_84f2_e8e1,
            0xbd56_7e59_270e_4ad8,
            0x6c60_64e7_f9a2_c96d,
            0x43a1_8c6a_117c_b474,
        ],
    },
    KnownAnswer {
        rounds: 7,
        answer: [
            0x53ec_2115_14f1_8d6e,
            0xa548_6810_4a43_9639,
            0xc6dc_e093_aeb2_8f38,
            0xbd34_bef9_c614_c189,
            0x6fdc_254c_96e4_e679,
            0x646d_5ad5_3090_6c88,
            0x8d79_fc49_9269_9c9b,
            0x5bfc_f33e_6e65_b0f1,
        ],
    },
    KnownAnswer {
        rounds: 100,
        answer: [
            0x6481_0701_3198_bb66,
            0xbc37_67cc_94ea_2943,
            0xc7d5_0f18_76c4_50aa,
            0x53c1_0109_487f_c6f4,
            0xd390_06d3_ed3f_61a4,
            0x8ea0_b76b_a24e_194e,
            0xf5fe_d234_082b_0ae2,
            0x4be7_d977_0a4b_3503,
        ],
    },
];
