//! Known answers, produced by the naive scalar reference in `tests/it/fma_kernels/reference.rs`
//! (`print_answers`).

use crate::kernels::KnownAnswer;

/// `fma-scalar.l1`.
pub(super) static FMA_SCALAR_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 512,
        answer: [
            0x6eac_70fb_6eac_70fb,
            0xefe1_c860_efe1_c860,
            0x8a71_ae84_8a71_ae84,
            0x8f66_cf47_8f66_cf47,
            0x16bd_dc49_16bd_dc49,
            0x6361_f243_6361_f243,
            0x0b21_ac0f_0b21_ac0f,
            0x65c8_c70f_9d6a_9499,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x403d_08fe_403d_08fe,
            0xed68_d0ab_ed68_d0ab,
            0x0c87_e660_0c87_e660,
            0xab49_b4a5_ab49_b4a5,
            0x5848_ec02_5848_ec02,
            0x1ffb_63c9_1ffb_63c9,
            0xf715_1c0d_f715_1c0d,
            0x9b53_1aad_63f1_493b,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x92ce_a90e_92ce_a90e,
            0x5da4_d1ce_5da4_d1ce,
            0x13c8_0d6c_13c8_0d6c,
            0x6737_4adb_6737_4adb,
            0x088d_0cd9_088d_0cd9,
            0x2aca_b240_2aca_b240,
            0x94d0_eb90_94d0_eb90,
            0xf1a0_abb0_403d_08fe,
        ],
    },
];

/// `fma-f64.l1`.
pub(super) static FMA_F64_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 2048,
        answer: [
            0x8a8a_6117_8a8a_6117,
            0xf4c5_877f_f4c5_877f,
            0x6410_7391_6410_7391,
            0xdc81_14c9_dc81_14c9,
            0x300f_6b24_300f_6b24,
            0x0fc1_6098_0fc1_6098,
            0xa3fc_b27d_a3fc_b27d,
            0xaf01_9f5d_57a3_cccb,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x4950_59b5_4950_59b5,
            0x9210_4992_9210_4992,
            0x13e3_b36a_13e3_b36a,
            0x6b94_2788_6b94_2788,
            0x827a_8f7a_827a_8f7a,
            0x58d9_7a03_58d9_7a03,
            0x453a_c089_453a_c089,
            0x3bce_4480_c36c_1716,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x8c2e_c7ee_8c2e_c7ee,
            0xdd75_0c70_dd75_0c70,
            0x102d_bef2_102d_bef2,
            0x16f5_3064_16f5_3064,
            0xf393_6f16_f393_6f16,
            0x22e7_a9fa_22e7_a9fa,
            0x8707_5690_8707_5690,
            0xf8cd_fafb_4950_59b5,
        ],
    },
];

/// `fma-f64.l2`.
pub(super) static FMA_F64_L2: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 88,
        answer: [
            0xc3c3_f2f7_c3c3_f2f7,
            0xa7a8_06c4_a7a8_06c4,
            0x304b_cb68_304b_cb68,
            0x6961_dcfa_6961_dcfa,
            0x64de_137c_64de_137c,
            0x5593_a09d_5593_a09d,
            0xe4ce_c23d_e4ce_c23d,
            0x6c59_1f9a_6eb9_025c,
        ],
    },
    KnownAnswer {
        rounds: 8,
        answer: [
            0x5b1d_9b30_5b1d_9b30,
            0x1c00_6fc6_1c00_6fc6,
            0xc45d_00f5_c45d_00f5,
            0x1a21_8e03_1a21_8e03,
            0x1ebf_4b0e_1ebf_4b0e,
            0x381b_382f_381b_382f,
            0x66d0_4606_66d0_4606,
            0xb6cc_c70c_b42c_daca,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x5783_7550_5783_7550,
            0x9dbf_7fc3_9dbf_7fc3,
            0x2fa5_fb16_2fa5_fb16,
            0x1429_491d_1429_491d,
            0x26d9_00e4_26d9_00e4,
            0xe30a_bc38_e30a_bc38,
            0x993b_7ce8_993b_7ce8,
            0x0bc7_025d_5b1d_9b30,
        ],
    },
];

/// `fma-f64.llc`.
pub(super) static FMA_F64_LLC: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 16,
        answer: [
            0x8100_494a_8100_494a,
            0x9b36_5c6f_9b36_5c6f,
            0xf46e_bb07_f46e_bb07,
            0x2e76_277d_2e76_277d,
            0xbf48_1ab3_bf48_1ab3,
            0x82bd_75d1_82bd_75d1,
            0x9a49_0554_9a49_0554,
            0x7f9c_6e7e_3c67_1405,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0xf7f7_1fff_f7f7_1fff,
            0x82d2_1089_82d2_1089,
            0xa6de_58bf_a6de_58bf,
            0x8c27_9c8b_8c27_9c8b,
            0x6016_d233_6016_d233,
            0x6ed7_e420_6ed7_e420,
            0xf6d5_7191_f6d5_7191,
            0x7db3_4a6c_8100_494a,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x7fa7_1c2e_7fa7_1c2e,
            0xf7f7_1fff_f7f7_1fff,
            0x72cd_458e_72cd_458e,
            0x82d2_1089_82d2_1089,
            0x3ae8_7174_3ae8_7174,
            0xa6de_58bf_a6de_58bf,
            0xbeb4_8461_beb4_8461,
            0x9b1d_289a_8c27_9c8b,
        ],
    },
];

/// `fma-f32.l1`.
pub(super) static FMA_F32_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 2048,
        answer: [
            0xf643_9567_f643_9567,
            0xe0e8_c34a_e0e8_c34a,
            0xd604_9d1f_d604_9d1f,
            0x2719_39c3_2719_39c3,
            0x93d2_4ad5_93d2_4ad5,
            0x97d7_208d_97d7_208d,
            0x4e8e_6018_4e8e_6018,
            0xb55c_b0eb_22df_a593,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x1b49_5b4f_1b49_5b4f,
            0xc1e8_cb1a_c1e8_cb1a,
            0x82f5_94e6_82f5_94e6,
            0x7cc8_6e2f_7cc8_6e2f,
            0xf28e_bb22_f28e_bb22,
            0x0fa7_6e96_0fa7_6e96,
            0xd535_4184_d535_4184,
            0x4d01_89ad_da82_9cd5,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x17f4_342c_17f4_342c,
            0xab51_ea91_ab51_ea91,
            0xd37d_f054_d37d_f054,
            0xea3d_8856_ea3d_8856,
            0xd485_d41c_d485_d41c,
            0x2bd2_8cbb_2bd2_8cbb,
            0x198c_8c1c_198c_8c1c,
            0x08f2_c2ea_1b49_5b4f,
        ],
    },
];

/// `fma-f32.l2`.
pub(super) static FMA_F32_L2: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 88,
        answer: [
            0xaa85_0531_aa85_0531,
            0xca52_6ef5_ca52_6ef5,
            0xe2d8_f380_e2d8_f380,
            0x2a85_0d86_2a85_0d86,
            0xf591_768a_f591_768a,
            0x5f6b_3115_5f6b_3115,
            0x4cea_939d_4cea_939d,
            0x0ba6_a9ca_8b37_5a93,
        ],
    },
    KnownAnswer {
        rounds: 8,
        answer: [
            0x90af_83b3_90af_83b3,
            0x4332_5277_4332_5277,
            0xfb93_a347_fb93_a347,
            0x2b99_f434_2b99_f434,
            0x2fc8_0ec2_2fc8_0ec2,
            0x1d8f_5032_1d8f_5032,
            0xe96e_8044_e96e_8044,
            0x47f6_d731_c767_2468,
        ],
    },
    KnownAnswer {
        rounds: 1,
        answer: [
            0x6e7e_8330_6e7e_8330,
            0xb44c_27b0_b44c_27b0,
            0xe94d_eebf_e94d_eebf,
            0xe8c2_c014_e8c2_c014,
            0x1635_7d0c_1635_7d0c,
            0x3b8b_febe_3b8b_febe,
            0xef70_5e83_ef70_5e83,
            0xc225_6671_90af_83b3,
        ],
    },
];

/// `product-f64.l1`.
pub(super) static PRODUCT_F64_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 2560,
        answer: [
            0xd518_6d50_d518_6d50,
            0xe7cc_93f1_e7cc_93f1,
            0x5707_f3f2_5707_f3f2,
            0x8b22_3be9_8b22_3be9,
            0x4d82_3789_4d82_3789,
            0xc21a_6136_c21a_6136,
            0x84b3_3aef_84b3_3aef,
            0xfcaf_af3e_7664_d63f,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x4aa2_f6ff_4aa2_f6ff,
            0x5239_05e7_5239_05e7,
            0x3513_226d_3513_226d,
            0xf0f6_133a_f0f6_133a,
            0x4769_887f_4769_887f,
            0x4dc3_48ef_4dc3_48ef,
            0x3f58_2acf_3f58_2acf,
            0xad50_7f17_279b_0616,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x7013_8cb2_7013_8cb2,
            0xf618_f9e7_f618_f9e7,
            0x0e2d_f4c3_0e2d_f4c3,
            0xa8b3_1e23_a8b3_1e23,
            0x3447_f3c8_3447_f3c8,
            0xc00a_1c4e_c00a_1c4e,
            0xbf48_3d95_bf48_3d95,
            0xe62e_aa4e_4aa2_f6ff,
        ],
    },
];

/// `product-f32.l1`.
pub(super) static PRODUCT_F32_L1: &[KnownAnswer] = &[
    KnownAnswer {
        rounds: 2560,
        answer: [
            0xfb7d_516b_fb7d_516b,
            0x63b0_5c2c_63b0_5c2c,
            0x1cc7_5ab2_1cc7_5ab2,
            0xfc88_523e_fc88_523e,
            0xa077_1773_a077_1773,
            0x8066_ba0b_8066_ba0b,
            0x2a5a_2d6b_2a5a_2d6b,
            0xb62b_594f_1066_a801,
        ],
    },
    KnownAnswer {
        rounds: 16,
        answer: [
            0x2b0f_f37a_2b0f_f37a,
            0x1ac9_59f3_1ac9_59f3,
            0xfb42_4da8_fb42_4da8,
            0xf26f_7553_f26f_7553,
            0xa495_ce38_a495_ce38,
            0xbf83_80ca_bf83_80ca,
            0xc816_3085_c816_3085,
            0xda28_4e0d_7c65_bf43,
        ],
    },
    KnownAnswer {
        rounds: 2,
        answer: [
            0x717f_e327_717f_e327,
            0x53f7_e261_53f7_e261,
            0xebd2_d8ea_ebd2_d8ea,
            0x06a2_d569_06a2_d569,
            0x5ffe_cab7_5ffe_cab7,
            0x0729_db00_0729_db00,
            0x9ec9_2b64_9ec9_2b64,
            0xd3c9_9378_2b0f_f37a,
        ],
    },
];
