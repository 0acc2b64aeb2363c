//! What the pages say, in one file for each language. HTML is filled in here; the scripts get the
//! same words as a module.

use super::files::source;
use crate::paper::html::escaped;
use std::collections::BTreeMap;
use std::sync::Arc;

/// The languages that come with the program: tag (BCP 47), file.
const LANGUAGES: [(&str, &str); 2] =
    [("en", include_str!("page/words/en.json")), ("es", include_str!("page/words/es.json"))];

/// The words of one language; cheap to clone.
#[derive(Debug, Clone)]
pub struct Words {
    language: &'static str,
    by_key: Arc<BTreeMap<String, String>>,
}

impl Words {
    /// Those of a language; `None`: it does not come with the program.
    pub fn of(language: &str) -> Option<Self> {
        let (language, file) = LANGUAGES.iter().find(|(tag, _)| *tag == language)?;
        let by_key =
            serde_json::from_str(&source(&format!("words/{language}.json"), file)).unwrap_or_default();
        Some(Self { language, by_key: Arc::new(by_key) })
    }

    /// The language that every other one is held against.
    pub fn english() -> Self {
        Self::of("en").unwrap_or_else(|| Self { language: "en", by_key: Arc::default() })
    }

    /// The words as they are now: a debug build reads its file anew.
    pub(super) fn now(&self) -> Self {
        let anew = if cfg!(debug_assertions) { Self::of(self.language) } else { None };
        anew.unwrap_or_else(|| self.clone())
    }

    /// The words for a key, with `{name}` filled in, as text. A key without words stays, and is seen.
    pub(super) fn t(&self, key: &str, values: &[(&str, &str)]) -> String {
        let words = self.by_key.get(key).map_or(key, String::as_str).to_owned();
        values.iter().fold(words, |words, (name, value)| words.replace(&format!("{{{name}}}"), value))
    }

    /// Puts the words for `{{key}}` into HTML. A key without words stays, and is seen.
    pub(super) fn fill(&self, html: &str) -> String {
        let mut filled = String::with_capacity(html.len());
        let mut rest = html;
        while let Some((before, after)) = rest.split_once("{{") {
            filled.push_str(before);
            let Some((key, after)) = after.split_once("}}") else {
                filled.push_str("{{");
                rest = after;
                continue;
            };
            match key {
                "language" => filled.push_str(self.language),
                key => filled.push_str(&escaped(self.by_key.get(key).map_or(key, String::as_str))),
            }
            rest = after;
        }
        filled + rest
    }

    /// The same words as a module of the scripts.
    pub(super) fn module(&self) -> String {
        let words = serde_json::json!(*self.by_key);
        format!("export const language = \"{}\";\nexport default {words};\n", self.language)
    }
}

#[cfg(test)]
#[path = "test/words.rs"]
mod test;
