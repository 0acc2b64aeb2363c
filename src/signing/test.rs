#![allow(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

use super::*;
use crate::domain::report::DocumentKind;
use serde_json::json;
use std::os::unix::fs::PermissionsExt;
use uuid::Uuid;

fn hex(text: &str) -> Vec<u8> {
    text.as_bytes()
        .chunks(2)
        .map(|two| u8::from_str_radix(std::str::from_utf8(two).unwrap(), 16).unwrap())
        .collect()
}

/// RFC 8032, section 7.1, test 1, which RFC 8037, appendix A, uses as well.
const SEED_1: &str = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60";

fn record() -> Ready {
    let text =
        json!({ "dataschema": "x", "data": { "value": 1e-7, "text": "0,4 \u{20ac}", "n": [1.0, 33] } });
    Ready {
        id: Uuid::from_u128(1),
        kind: DocumentKind::Record,
        subject: Uuid::from_u128(2),
        text: text.to_string(),
    }
}

#[test]
fn a_key_is_named_as_the_standard_names_it() {
    let key = Key::from_seed(&hex(SEED_1)).unwrap();
    // RFC 8037, appendix A.1 and A.3.
    assert_eq!(key.public().x, "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo");
    assert_eq!(key.public().id, "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k");
}

#[test]
fn canonical_json_is_that_of_the_standard() {
    // RFC 8785, section 3.2.2 and 3.2.3: numbers as ECMAScript writes them, names in order, few escapes.
    let text = r#"{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],
        "string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}"#;
    let value: Value = serde_json::from_str(text).unwrap();
    let expected = "{\"literals\":[null,true,false],\"numbers\":[333333333.3333333,1e+30,4.5,0.002,1e-27],\
                    \"string\":\"\u{20ac}$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}";
    assert_eq!(String::from_utf8(canonical(&value).unwrap()).unwrap(), expected);
}

#[test]
fn a_signed_record_verifies_and_any_change_of_it_shows() {
    let key = Key::from_seed(&hex(SEED_1)).unwrap();
    let mut document = record();
    key.sign(&mut document);
    let keys = [key.public().clone()];
    assert_eq!(verify(&document.text, &keys), Seen::Good);
    let mut again = record();
    key.sign(&mut again);
    assert_eq!(again.text, document.text, "a document that is made again is the same");
    // Spaces and the order of members mean nothing in JSON, and break nothing.
    let tree: Value = serde_json::from_str(&document.text).unwrap();
    assert_eq!(verify(&serde_json::to_string_pretty(&tree).unwrap(), &keys), Seen::Good);
    for (from, to) in [("33", "34"), ("0,4", "0,5"), ("specimen-record/1.3.0", "specimen-record/1.2.0")] {
        assert!(document.text.contains(from));
        assert_eq!(verify(&document.text.replace(from, to), &keys), Seen::Wrong, "{from}");
    }
    let mut bare = tree.clone();
    bare.as_object_mut().unwrap().remove("signature");
    assert_eq!(verify(&bare.to_string(), &keys), Seen::Wrong);
    let other = Key::from_seed(&[7; 32]).unwrap();
    assert_eq!(verify(&document.text, &[other.public().clone()]), Seen::UnknownKey);
    let posing = SigningKey { id: key.public().id.clone(), x: other.public().x.clone() };
    assert_eq!(verify(&document.text, &[posing]), Seen::Wrong);
}

#[test]
fn a_weighing_is_not_signed() {
    let key = Key::from_seed(&[7; 32]).unwrap();
    let mut document = Ready { kind: DocumentKind::Weighing, ..record() };
    key.sign(&mut document);
    assert_eq!(document.text, record().text);
    assert_eq!(verify(&document.text, &[]), Seen::Unsigned);
}

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("stillstand-signing-{}-{name}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

#[test]
fn the_key_is_made_once_and_only_its_owner_reads_it() {
    let folder = Folder::new("made");
    let path = place_of(&folder.0.join("bench.sqlite"));
    assert_eq!(path.file_name().unwrap(), "bench.signing-key.pem");
    let made = Key::kept_in(&path).unwrap();
    assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    assert_eq!(Key::kept_in(&path).unwrap().public(), made.public());
    let elsewhere = Key::kept_in(&folder.0.join("other.pem")).unwrap();
    assert_ne!(elsewhere.public(), made.public());
}

#[test]
fn a_file_that_is_no_key_or_that_others_read_is_refused_and_left() {
    let folder = Folder::new("refused");
    let path = folder.0.join("key.pem");
    for (text, mode, word) in [
        ("rubbish", 0o600, "no private key"),
        ("", 0o600, "no private key"),
        (&pem(&[1; 32]), 0o640, "chmod 600"),
    ] {
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        let fault = Key::kept_in(&path).unwrap_err().to_string();
        assert!(fault.contains(word) && fault.contains("key.pem"), "{fault}");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
    }
}
