//! Known answers of the family, made by the naive reference in `tests/it/compute_kernels/`.

use crate::kernels::KnownAnswer;

pub(super) static FLOAT_CHAINS: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 3_000,
        answer: [
            0x785b_5364_ab6c_9e9c,
            0x1c37_8e2e_f047_905b,
            0xb148_184f_9e3a_cd01,
            0xedb2_0973_58bc_8368,
            0x937e_3eac_4d94_7704,
            0xc6c3_01a9_29c7_e642,
            0x8961_497b_8294_11a5,
            0xf5da_49e6_29c5_2e73,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0xfa4a_0411_72a9_e016,
            0x5783_c058_452e_198a,
            0x5de3_cbff_793a_4073,
            0x2f69_677d_5333_71e9,
            0x7586_711a_0a79_fafb,
            0xcfc9_aa5f_9f28_d777,
            0xe2a6_2386_96e9_3d86,
            0xa54f_1c47_8631_27a3,
        ],
    },
    KnownAnswer {
        rounds: 3,
        answer: [
            0xe133_51bf_d54a_3bdd,
            0x647b_783c_eb6a_43d5,
            0x54af_744f_80a0_dc45,
            0xc027_0bf1_49cc_d901,
            0x98e8_7210_4c29_1e92,
            0x95a4_1cb4_9aa5_cc0a,
            0xbaf7_6ef4_0973_54bb,
            0x4852_f3b2_f911_e428,
        ],
    },
    KnownAnswer {
        rounds: 20,
        answer: [
            0xd0fb_adef_3466_1504,
            0x02f2_704c_ff67_96fe,
            0x4461_017d_2549_9528,
            0xe434_2f91_e179_f9f2,
            0xbb3d_2389_fa39_3b02,
            0x862b_e5c9_6b43_cd43,
            0x0d37_6a8c_8209_841f,
            0xa5a2_9e50_3ca6_bee5,
        ],
    },
];
pub(super) static MATRIX_EXACT: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 200,
        answer: [
            0x9318_0dfe_e9b6_aa01,
            0x64d2_981b_2259_ed75,
            0x310a_bbf7_be32_5aee,
            0x0e13_4aba_0a52_fb6a,
            0xae55_8ec4_27b0_3162,
            0x8105_7c69_3085_6bcc,
            0xe735_8ee5_835a_baaf,
            0x864c_c26e_4011_5adb,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x189c_bb74_b56f_f178,
            0x8167_1b17_7526_49b1,
            0x16ca_ef4b_83c6_5b93,
            0x065d_fe12_f667_26d5,
            0x109b_55ff_f74e_8ef8,
            0xcc38_77a7_cf30_e921,
            0x4e3d_8646_d78f_0d56,
            0x463d_5d34_8687_e1ae,
        ],
    },
    KnownAnswer {
        rounds: 3,
        answer: [
            0x2535_0152_49ca_ac42,
            0x39f6_cdab_f6a1_ba33,
            0xbf56_a082_422d_6119,
            0x3f17_389c_8498_aec3,
            0x6fb9_8bb3_6e66_9eb4,
            0xf1a3_ff06_fb0a_d6e8,
            0x3997_87e3_0c7d_709b,
            0xe844_4b85_0ede_968a,
        ],
    },
    KnownAnswer {
        rounds: 10,
        answer: [
            0xa770_543a_f27c_ef76,
            0xd9eb_b877_bd1b_3be0,
            0x0d4b_2698_151b_7862,
            0x4d99_89cc_29c5_c30e,
            0xeec2_cd80_b95f_2d28,
            0x74ad_ab26_3b7c_3f7b,
            0xecde_3bfd_f3e2_d5d2,
            0x79b1_12a0_1f46_8207,
        ],
    },
];
