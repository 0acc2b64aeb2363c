//! Which documents are signed, and what of a document: all of it but the signature.
//!
//! Records and results are; weighings stand in the records that count them. A signed document names
//! version 1.3 of its schema, or the later one that it needs: they know two members more, `signedby`,
//! the key, and `signature` (attributes of `CloudEvents` have names of small letters and digits).

use super::{DocumentKind, Ready, schema_id};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

/// Longest document that is read to look at its signature, bytes: none that this program makes is so long.
const LARGEST: usize = 16 << 20;

/// The public half of a station's key.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct SigningKey {
    /// Its name: the thumbprint (RFC 7638) of the key as a JWK.
    pub id: String,
    /// The 32 bytes of the key (RFC 8032), in base64url without padding.
    pub x: String,
}

impl SigningKey {
    /// As a JSON Web Key (RFC 7517, RFC 8037).
    pub fn jwk(&self) -> Value {
        json!({ "kty": "OKP", "crv": "Ed25519", "alg": "EdDSA", "use": "sig", "kid": self.id, "x": self.x })
    }
}

/// A set of keys (RFC 7517, section 5); the newest comes first.
pub fn key_set(keys: &[SigningKey]) -> Value {
    json!({ "keys": keys.iter().rev().map(SigningKey::jwk).collect::<Vec<_>>() })
}

/// What is to be signed of a document; `None`: it is of a kind that is not signed.
pub fn to_sign(document: &Ready, key: &SigningKey) -> Option<Value> {
    let schema = document.kind.signed_schema()?;
    let mut whole: Value = serde_json::from_str(&document.text).ok()?;
    let members = whole.as_object_mut()?;
    members.remove("signature");
    // What says who weighed names a later version already.
    if !members.get("data").is_some_and(super::names_who_weighed) {
        members.insert("dataschema".to_owned(), schema_id(schema).into());
    }
    members.insert("signedby".to_owned(), key.id.clone().into());
    Some(whole)
}

/// The document with its signature, as it goes out.
pub fn with_signature(mut signed: Value, signature: &str) -> String {
    super::put(&mut signed, "signature", signature.into());
    signed.to_string()
}

/// A document that bears a signature, taken apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Signed {
    /// What was signed.
    pub signed: Value,
    /// The name of the key.
    pub key: String,
    /// The signature, as it stands there.
    pub signature: String,
}

impl Signed {
    /// Of a document's text; `None`: it bears none, or is no document.
    pub fn of(text: &str) -> Option<Self> {
        if text.len() > LARGEST || !text.contains("\"signedby\"") {
            return None;
        }
        let mut signed: Value = serde_json::from_str(text).ok()?;
        let members = signed.as_object_mut()?;
        let key = members.get("signedby")?.as_str()?.to_owned();
        let signature = members.remove("signature").and_then(|s| s.as_str().map(str::to_owned));
        Some(Self { signed, key, signature: signature.unwrap_or_default() })
    }
}

impl DocumentKind {
    /// Name and version of the oldest schema of a signed document; `None`: this kind is not signed.
    pub(super) const fn signed_schema(self) -> Option<&'static str> {
        match self {
            Self::Record => Some("specimen-record/1.3.0"),
            Self::Result => Some("sample-result/1.3.0"),
            Self::Weighing => None,
        }
    }
}
