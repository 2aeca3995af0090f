//! Known answers of the family, made by the sequential reference in `tests/it/compute_kernels/`.

use crate::kernels::KnownAnswer;

pub(super) static ATOMICS: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 40_000,
        answer: [
            0x0af9_cf93_95c1_f717,
            0x12b6_337f_1f13_0bf2,
            0xab38_f372_32b5_3ab2,
            0x060b_31c0_824a_a55f,
            0xb8b2_8ef7_1f2f_3e20,
            0x95ce_8f4b_013a_da64,
            0x241f_97f2_d2b2_4ce7,
            0x1b67_f2aa_6799_9850,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x9f67_dfd0_a79a_0c22,
            0xb48a_fa41_4747_358b,
            0x9ee8_7f00_2cb7_d5e4,
            0x2e31_ab61_a9ef_721c,
            0x8db9_2071_1de9_2dbb,
            0xd4ff_f26f_32fa_cd54,
            0xb273_8b74_f052_eeb2,
            0xfed7_8125_d72e_52e9,
        ],
    },
    KnownAnswer {
        rounds: 7,
        answer: [
            0x94ab_0122_6abf_f9dd,
            0x78ac_d8d5_2c7d_8010,
            0x8611_187a_dadc_ec56,
            0x7d64_9ad7_547b_289e,
            0xc673_258d_38ce_6935,
            0x3cc5_f786_647b_84a1,
            0xc02b_3ddf_bb67_7611,
            0x0ed6_b72c_cd61_9349,
        ],
    },
    KnownAnswer {
        rounds: 1_000,
        answer: [
            0xd0cb_3dc9_3e3b_8dc2,
            0x412b_8fac_161d_7d1c,
            0x8d65_81a6_cd95_0934,
            0x2e1f_19af_66b2_7179,
            0xa348_0c42_1656_ce36,
            0xdaaa_f2e0_39e3_7e5b,
            0x7dff_97c6_4c71_c9aa,
            0x5235_9ed8_8382_70ed,
        ],
    },
];
pub(super) static HANDOVER: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 1_000,
        answer: [
            0xdf38_c6ab_bcdd_dd7c,
            0x1031_178a_f6e2_13d5,
            0x55a7_0668_b32d_bc34,
            0x3984_8568_5150_198f,
            0xeb71_b210_2081_61da,
            0xcc62_41b9_4791_839e,
            0x5bc1_0896_63a5_86c6,
            0xcb06_595e_a520_4981,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x8394_eb20_437b_8268,
            0xa0d5_13b0_22de_f5b5,
            0x2b6a_7148_3bc4_0322,
            0xb53e_514d_99e5_4537,
            0x4d6a_5165_1384_f003,
            0x8efb_4ccf_cecd_3ffa,
            0xa915_021b_59ab_1806,
            0xcd27_cc08_4420_4fba,
        ],
    },
    KnownAnswer {
        rounds: 7,
        answer: [
            0xa915_021b_59ab_1806,
            0xd49e_4bb3_9d59_d921,
            0x597d_28cf_c76f_8695,
            0x79e1_8353_5799_d6cc,
            0xb3c4_b22d_28b0_e80f,
            0x9e0f_9a37_05be_aeab,
            0xb117_f2e6_84bc_7181,
            0xb94e_a92d_8447_f50c,
        ],
    },
    KnownAnswer {
        rounds: 100,
        answer: [
            0x9e55_d0f9_0bb8_d13c,
            0x6f73_3e99_8306_ecd7,
            0xf7ce_929c_34de_cf7c,
            0x9508_31c4_3368_b502,
            0xdedf_3c71_0548_86ac,
            0xe4eb_b948_caba_2687,
            0xa623_6abb_09c3_0ff6,
            0x273f_ba96_63c0_b9c4,
        ],
    },
];
pub(super) static PUBLISH: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 1_024,
        answer: [
            0x6fe8_3fa0_1422_cd84,
            0x158b_0883_5835_9cab,
            0x8303_5c44_0b01_4405,
            0x85bb_41fd_09f4_e01d,
            0x6046_129b_f929_6586,
            0x0eb5_d2eb_11ed_93e4,
            0xda60_0dfd_c900_b89d,
            0x9e0e_0265_5dd7_c43d,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x0816_5634_8a84_0c6f,
            0xa16e_e4ca_5b5f_9c4c,
            0xc653_f9b8_bf64_2096,
            0xa309_0d00_e6f4_02c3,
            0x6a1a_7961_158e_53a4,
            0xb4e6_b581_28d4_7b5b,
            0xcead_b35d_27c1_a756,
            0x2d0f_b892_83b6_7f11,
        ],
    },
    KnownAnswer {
        rounds: 7,
        answer: [
            0xf176_ef21_ceab_adc9,
            0x4ffc_a4c1_4821_ba4a,
            0x8cd7_ad3b_46b1_250a,
            0x343f_462e_511f_0709,
            0x7f69_f312_790f_5f91,
            0xee04_abda_9b26_6017,
            0x956a_9456_6e22_bf44,
            0xbc83_233d_cf36_8cb0,
        ],
    },
    KnownAnswer {
        rounds: 100,
        answer: [
            0x4b88_cb7c_2814_a75e,
            0x2968_620f_db4d_c61c,
            0x51c2_9d50_8f34_e29a,
            0x8fc3_fec1_77ad_04f7,
            0xa908_eac7_988a_6b2e,
            0x1851_d31e_7560_0bf0,
            0x8e52_a9d9_5986_4f66,
            0x2424_c421_59f8_12fa,
        ],
    },
];
