//! Known answers, produced by the naive scalar reference in `tests/it/fma_kernels/reference.rs`
//! (`print_answers`).

use crate::kernels::KnownAnswer;

/// `fma-scalar.l1`.
pub(super) static FMA_SCALAR_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 512,
        answer: [
            0x2e53_4ce9_2e53_4ce9,
            0xaeb5_2080_aeb5_2080,
            0xedf9_2310_edf9_2310,
            0x10d3_ebe8_10d3_ebe8,
            0xada3_1858_ada3_1858,
            0xcc99_6733_cc99_6733,
            0x7a06_6171_7a06_6171,
            0xcb30_c2d5_2778_8f78,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x1f89_ee08_1f89_ee08,
            0xc7eb_20d7_c7eb_20d7,
            0x942f_3f17_942f_3f17,
            0xf698_f4e6_f698_f4e6,
            0xf6cf_8b79_f6cf_8b79,
            0x5893_43df_5893_43df,
            0x8cda_9466_8cda_9466,
            0xbf30_39f6_5378_745b,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0xafb9_9e8a_afb9_9e8a,
            0x0bce_d22c_0bce_d22c,
            0x968e_d3dd_968e_d3dd,
            0x8888_96b6_8888_96b6,
            0x86d8_a8d0_86d8_a8d0,
            0x7023_3d20_7023_3d20,
            0x6c09_9bb2_6c09_9bb2,
            0x7393_b8fe_1f89_ee08,
        ],
    },
];

/// `fma-f64.l1`.
pub(super) static FMA_F64_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 2048,
        answer: [
            0x1f32_9289_1f32_9289,
            0xfd96_c5da_fd96_c5da,
            0x080a_f611_080a_f611,
            0xbf43_a9c0_bf43_a9c0,
            0x4c08_7cbd_4c08_7cbd,
            0x28f6_3e6c_28f6_3e6c,
            0xf8d3_8993_f8d3_8993,
            0x4270_1741_ae38_5aec,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x8ece_c047_8ece_c047,
            0x776e_6556_776e_6556,
            0xe382_4a74_e382_4a74,
            0xea7d_71d6_ea7d_71d6,
            0x93e7_3b5d_93e7_3b5d,
            0x2f3f_fa85_2f3f_fa85,
            0xd487_f59b_d487_f59b,
            0xd682_c7d7_3aca_8a7a,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0xb288_704a_b288_704a,
            0x71f6_588d_71f6_588d,
            0xfc6f_7f51_fc6f_7f51,
            0xb131_e85b_b131_e85b,
            0x7fb8_d55c_7fb8_d55c,
            0x18fc_9d8e_18fc_9d8e,
            0xd3c0_ee7c_d3c0_ee7c,
            0xe2d4_96b1_8ece_c047,
        ],
    },
];

/// `fma-f64.l2`.
pub(super) static FMA_F64_L2: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 88,
        answer: [
            0x0508_74be_0508_74be,
            0x698e_5e8f_698e_5e8f,
            0xac94_4497_ac94_4497,
            0x635e_8056_635e_8056,
            0x8233_1ed2_8233_1ed2,
            0x2425_9fc6_2425_9fc6,
            0xf88e_9dd2_f88e_9dd2,
            0x3f24_df0c_65b3_3333,
        ],
    },
    KnownAnswer {
        rounds: 8,
        answer: [
            0xc906_eca1_c906_eca1,
            0xb8c0_1190_b8c0_1190,
            0x6261_7d18_6261_7d18,
            0xee10_68f8_ee10_68f8,
            0xbf1c_9005_bf1c_9005,
            0xe87d_38c5_e87d_38c5,
            0xea66_e5cb_ea66_e5cb,
            0xffb4_5e3a_a523_b205,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x172b_39cd_172b_39cd,
            0x750f_d056_750f_d056,
            0x4a71_391f_4a71_391f,
            0x588c_cf08_588c_cf08,
            0xdbec_8a80_dbec_8a80,
            0x323d_b495_323d_b495,
            0x935a_fb7b_935a_fb7b,
            0xc490_49d4_c906_eca1,
        ],
    },
];

/// `fma-f64.llc`.
pub(super) static FMA_F64_LLC: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 16,
        answer: [
            0x7be5_4024_7be5_4024,
            0xbc84_41eb_bc84_41eb,
            0x665a_16a0_665a_16a0,
            0x10ae_49a3_10ae_49a3,
            0xcb4c_e225_cb4c_e225,
            0xf8a6_6a93_f8a6_6a93,
            0x8fa8_66a3_8fa8_66a3,
            0xcafd_7c76_82b2_434c,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x7aa1_de82_7aa1_de82,
            0x20db_a0a0_20db_a0a0,
            0x15a3_2226_15a3_2226,
            0x7ec8_2dec_7ec8_2dec,
            0x7dd9_5437_7dd9_5437,
            0xd2a1_a253_d2a1_a253,
            0x8a9a_e1a9_8a9a_e1a9,
            0x5cbd_a364_7be5_4024,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x6b0c_fda4_6b0c_fda4,
            0x7aa1_de82_7aa1_de82,
            0xd4b3_b75e_d4b3_b75e,
            0x20db_a0a0_20db_a0a0,
            0x6513_3dda_6513_3dda,
            0x15a3_2226_15a3_2226,
            0xbd49_d96c_bd49_d96c,
            0xb994_5173_7ec8_2dec,
        ],
    },
];

/// `fma-f32.l1`.
pub(super) static FMA_F32_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 2048,
        answer: [
            0xcb2c_896f_cb2c_896f,
            0xd071_e550_d071_e550,
            0x8380_645c_8380_645c,
            0xea91_0037_ea91_0037,
            0xb8a6_e662_b8a6_e662,
            0xcd14_8f67_cd14_8f67,
            0x8009_b9e7_8009_b9e7,
            0x05cb_8512_1238_1de2,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x9554_7ceb_9554_7ceb,
            0x2407_2ca0_2407_2ca0,
            0x59d0_67df_59d0_67df,
            0x2225_032f_2225_032f,
            0x3205_ef07_3205_ef07,
            0xd3a2_c2ec_d3a2_c2ec,
            0x7723_ef59_7723_ef59,
            0x3d28_637c_2adb_fb8c,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0xa0a2_de76_a0a2_de76,
            0x92e0_478c_92e0_478c,
            0xe634_2098_e634_2098,
            0x1ebc_c80a_1ebc_c80a,
            0x7d76_17ad_7d76_17ad,
            0xbf92_0154_bf92_0154,
            0x8518_e4be_8518_e4be,
            0xb46d_7abc_9554_7ceb,
        ],
    },
];

/// `fma-f32.l2`.
pub(super) static FMA_F32_L2: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 88,
        answer: [
            0xd17d_b594_d17d_b594,
            0xae43_2cb8_ae43_2cb8,
            0x92e2_37ed_92e2_37ed,
            0x6667_d35e_6667_d35e,
            0x3971_fe0b_3971_fe0b,
            0x1b5c_cf50_1b5c_cf50,
            0xd8a3_d9eb_d8a3_d9eb,
            0xbde8_9ec4_b007_603d,
        ],
    },
    KnownAnswer {
        rounds: 8,
        answer: [
            0x2563_cb3b_2563_cb3b,
            0x7465_1d51_7465_1d51,
            0x7151_cf7b_7151_cf7b,
            0x845d_a6df_845d_a6df,
            0x257c_43eb_257c_43eb,
            0xbf75_6ba4_bf75_6ba4,
            0xbe5a_f4a5_be5a_f4a5,
            0x5847_2674_55a8_d88d,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0xcf4b_7150_cf4b_7150,
            0x3bb1_1338_3bb1_1338,
            0x5c7c_c60e_5c7c_c60e,
            0xe3e0_a407_e3e0_a407,
            0x46d4_2eca_46d4_2eca,
            0xd9b3_1433_d9b3_1433,
            0x0563_4eb1_0563_4eb1,
            0xd144_b7aa_2563_cb3b,
        ],
    },
];

/// `product-f64.l1`.
pub(super) static PRODUCT_F64_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 2560,
        answer: [
            0x2499_a755_2499_a755,
            0xccaf_453e_ccaf_453e,
            0xeac2_e6a0_eac2_e6a0,
            0xd35a_4ddd_d35a_4ddd,
            0xd2db_c274_d2db_c274,
            0x4950_6e51_4950_6e51,
            0x92a4_b62d_92a4_b62d,
            0xc7da_bd94_3a39_6d61,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x0aad_204f_0aad_204f,
            0x3851_a53e_3851_a53e,
            0xd9ae_53f9_d9ae_53f9,
            0x6a16_dbbb_6a16_dbbb,
            0x296c_7f95_296c_7f95,
            0xb5b8_b39c_b5b8_b39c,
            0x0c7d_c99b_0c7d_c99b,
            0xd346_0e0b_2ea5_defe,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x7dec_8105_7dec_8105,
            0x7e83_9d66_7e83_9d66,
            0x8d0d_a51b_8d0d_a51b,
            0xc748_383b_c748_383b,
            0x94eb_acc8_94eb_acc8,
            0x05ed_9e10_05ed_9e10,
            0x7f0c_9dad_7f0c_9dad,
            0x7f63_8458_0aad_204f,
        ],
    },
];

/// `product-f32.l1`.
pub(super) static PRODUCT_F32_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 2560,
        answer: [
            0xea2b_efe1_ea2b_efe1,
            0x14a6_8b21_14a6_8b21,
            0xed44_1ab2_ed44_1ab2,
            0x0915_a2de_0915_a2de,
            0x21d2_2895_21d2_2895,
            0xd6c4_ac08_d6c4_ac08,
            0x1adc_0ba4_1adc_0ba4,
            0x3d1c_5218_7a65_4ff5,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x2a31_1585_2a31_1585,
            0x60bf_8e69_60bf_8e69,
            0xae85_8643_ae85_8643,
            0x28c2_2eb2_28c2_2eb2,
            0xc79a_8572_c79a_8572,
            0x95fe_9aa3_95fe_9aa3,
            0xa35a_0ade_a35a_0ade,
            0xf66c_8093_b115_9d7e,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0xb526_32a7_b526_32a7,
            0x5614_0873_5614_0873,
            0xf5cf_a7f9_f5cf_a7f9,
            0x43f7_9aaf_43f7_9aaf,
            0xf686_4efa_f686_4efa,
            0xf202_056c_f202_056c,
            0xb77a_3eef_b77a_3eef,
            0x5e65_43c1_2a31_1585,
        ],
    },
];
