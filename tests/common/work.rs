//! What a technician does with samples and specimens, in short.

use super::running::Running;
use serde_json::json;
use uuid::Uuid;

pub const METHOD: &str = "aashto-t176-mechanical";

impl Running {
    pub async fn sample(&self, label: &str, specimens: u32) -> Uuid {
        let what =
            json!({ "act": "register-sample", "label": label, "method": METHOD, "specimens": specimens });
        self.done(what).await
    }

    pub async fn specimen(&self, sample: Uuid, place: usize) -> Uuid {
        self.done(json!({ "act": "register-specimen", "sample": sample, "place": place })).await
    }

    pub async fn mark(&self, specimen: Uuid, step: &str, edge: &str) {
        self.done(json!({ "act": "mark", "specimen": specimen, "step": step, "edge": edge })).await;
    }

    pub async fn enter(&self, specimen: Uuid, of: &str, value: &str) {
        let what = json!({ "act": "enter-reading", "specimen": specimen, "of": of, "value": value });
        self.done(what).await;
    }

    /// From the tin to the running soak.
    pub async fn soaking(&self, specimen: Uuid) {
        self.mark(specimen, "first fill", "done").await;
        self.mark(specimen, "soak", "begin").await;
    }

    /// From the running soak to the running sedimentation, by the page alone.
    pub async fn settling(&self, specimen: Uuid) {
        for (step, edge) in [("loosen", "begin"), ("shake", "begin"), ("shake", "end"), ("irrigate", "end")] {
            self.mark(specimen, step, edge).await;
        }
    }
}
