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
            0x0c80_fbc6_1264_22d3,
            0xa35f_9e3e_b62f_1be0,
            0x757c_09fc_28fc_ee07,
            0x52fc_158f_a523_d406,
            0xc073_46f0_89b3_4d3b,
            0x2ecd_c70a_9fa0_8cfa,
            0xfac1_17f7_efdf_36e6,
            0xc8ed_8651_7e67_a736,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x85d2_596d_1a04_5050,
            0x57dd_e407_55da_313b,
            0xe6b3_4a85_8da7_6b9c,
            0x4fb4_9267_7fef_2f2a,
            0x4059_a157_3cfe_9dab,
            0x8c9a_1cbe_0f62_2e94,
            0x4caf_21b9_b599_dd9a,
            0x65a9_7358_e654_ad92,
        ],
    },
    KnownAnswer {
        rounds: 3,
        answer: [
            0x7d52_2d43_e2fa_6fb4,
            0xb320_6c4c_cbac_fd26,
            0xd1ae_329a_7eb5_7325,
            0x9282_ff56_547b_0e86,
            0x107c_8ea1_1081_21b8,
            0xe633_67c3_53b6_c023,
            0xe15e_4306_03e4_b734,
            0x14d9_8eac_08d8_66da,
        ],
    },
    KnownAnswer {
        rounds: 10,
        answer: [
            0xdb9d_4627_0dc3_c6db,
            0xe62a_1b1e_ef9b_c612,
            0xdf0f_0207_9006_55e5,
            0x3fb0_15bc_ba2b_39f8,
            0x77b3_2484_9f99_701d,
            0x6957_ef28_f6a2_c68f,
            0x87bd_33e8_763f_ba67,
            0x47f3_6dd2_0e8e_3225,
        ],
    },
];
