//! Signatures against the published vector.

use soakproof::os::Secret;
use soakproof::service::notices::{ParseKeyError, SigningKey};

/// Test vector of Standard Webhooks 1.0.0, as in its reference libraries for C# and Go
/// (standard-webhooks/standard-webhooks, commit b2fa7b87).
const SECRET: &str = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw";

#[test]
fn the_published_vector_is_reproduced() {
    let key = SigningKey::parse(&Secret::new(SECRET)).unwrap();
    let signature = key.sign(
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        1_614_265_330,
        br#"{"test": 2432232314}"#,
    );
    assert_eq!(signature, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
}

#[test]
fn every_part_is_signed() {
    let key = SigningKey::parse(&Secret::new(SECRET)).unwrap();
    let all = key.sign("msg_1", 1, b"body");
    assert_ne!(all, key.sign("msg_2", 1, b"body"));
    assert_ne!(all, key.sign("msg_1", 2, b"body"));
    assert_ne!(all, key.sign("msg_1", 1, b"Body"));
}

#[test]
fn a_key_that_the_standard_does_not_allow_is_refused() {
    let parse = |text: &str| SigningKey::parse(&Secret::new(text)).map(drop);
    assert_eq!(
        parse("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"),
        Err(ParseKeyError::NoPrefix)
    );
    assert_eq!(parse("whsec_%%%"), Err(ParseKeyError::NotBase64));
    assert_eq!(parse("whsec_YWJj"), Err(ParseKeyError::Length(3)));
    let long = format!("whsec_{}", "AAAA".repeat(22));
    assert_eq!(parse(&long), Err(ParseKeyError::Length(66)));
    for error in [
        ParseKeyError::NoPrefix,
        ParseKeyError::NotBase64,
        ParseKeyError::Length(3),
    ] {
        assert!(!error.to_string().contains("YWJj"), "{error}");
    }
}

#[test]
fn neither_secret_nor_key_shows_itself() {
    let secret = Secret::new(SECRET);
    let key = SigningKey::parse(&secret).unwrap();
    let shown = format!("{secret:?} {key:?}");
    assert_eq!(shown, "Secret(..) SigningKey(..)");
}
