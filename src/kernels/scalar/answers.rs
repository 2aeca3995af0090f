//! Known answers of the family, made by the naive reference in `tests/it/compute_kernels/`.

use crate::kernels::KnownAnswer;

pub(super) static INT_STREAMS: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 200_000,
        answer: [
            0x0f86_617d_eb01_8fa5,
            0xd913_f97e_b559_dda9,
            0xbb72_687c_bfbf_48e6,
            0xd7a2_40cc_7ff2_593b,
            0xd906_a2c1_b7ac_1053,
            0x4766_e8d7_2ee7_b3c7,
            0x524e_2f6f_5afe_2659,
            0xd40c_b10e_7829_3fe2,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x7df0_d21e_2b10_7ad3,
            0xb3c4_631e_fbee_88a4,
            0x76d6_7aaa_560e_6875,
            0x47ed_f403_a499_5f9b,
            0x400d_e8ea_ff50_7aa2,
            0xfd9d_78bb_f7c1_7ed6,
            0x2cae_1ab2_233f_c3e3,
            0x93dd_5abf_2cba_06cb,
        ],
    },
    KnownAnswer {
        rounds: 7,
        answer: [
            0xf8c9_b7d3_211e_7e5b,
            0xacbe_0bd0_a17d_c8e8,
            0x55d6_969a_d899_c5c4,
            0x27d7_b909_7dc6_ff6f,
            0xfb00_9692_1dfd_f6c1,
            0x5e99_1636_5d2c_1c67,
            0xd8e0_25c0_1487_fa05,
            0x5b29_a585_b06e_14b4,
        ],
    },
    KnownAnswer {
        rounds: 100,
        answer: [
            0x86df_5a09_462d_ad85,
            0xf010_96c2_0a27_ba94,
            0x8383_c5c3_38e2_8432,
            0x280a_6de2_58b2_15fb,
            0x0cff_937c_27dc_d0dc,
            0xfcfe_16b3_6b20_2445,
            0x28ee_0355_cb7a_0045,
            0x636a_b31a_0dd3_00ca,
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
            0x8aad_cdde_df80_90c9,
            0x8268_e8de_431a_2fc8,
            0x3157_0bee_3cd7_3fea,
            0xb876_ddbf_0c30_b878,
            0xc6a8_458f_8263_e9e0,
            0x4746_a600_e167_07b7,
            0x7336_04ee_7dca_fe97,
            0x0b4b_c63d_3ca6_fbb6,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0xdc5f_1784_9e6a_f5b4,
            0x5700_d3fe_d983_ab13,
            0x4ed3_b7a3_2d13_4997,
            0xbd7c_e836_6dab_e1b5,
            0x568f_11be_c0b2_1342,
            0x87cd_7920_9369_849e,
            0xab9a_f5f1_0c3a_6d64,
            0x2f4b_88a8_d2d4_4a29,
        ],
    },
    KnownAnswer {
        rounds: 7,
        answer: [
            0x323f_c838_0442_ef10,
            0x186a_7479_f324_7470,
            0xbcf9_088f_d6c6_c8f5,
            0x0493_51fd_b731_25d4,
            0xcade_a042_a8c2_3f16,
            0x3ab6_0029_0c02_7a7d,
            0x5185_a0fb_2f49_60ce,
            0x2b87_c5d5_e636_e61f,
        ],
    },
    KnownAnswer {
        rounds: 100,
        answer: [
            0xb689_1a6d_9b1f_6c68,
            0x3bb5_d829_1751_873d,
            0x7626_1ff1_d0d8_a404,
            0xf332_6ed9_7ed6_029e,
            0xd20a_1b39_036b_f7d7,
            0x95e9_d04a_57c6_cd37,
            0xa3ca_0789_11b4_ff6f,
            0xa76c_c98b_247c_dfad,
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
