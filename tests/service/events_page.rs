//! Every example of `docs/events.md` is sent, in the order of the page, and does what the page says.

use crate::common::app;
use crate::common::happenings::office;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// The page shows two hours of a forecast.
fn filled(mut example: Value) -> Value {
    if example["event"]["kind"] == "forecast_replaced" {
        let hour =
            |hour: u32| json!({"start": format!("2026-03-12T{hour:02}:00:00Z"), "temp_c": 4.0, "rh_percent": 80});
        let shown = example["event"]["hours"].as_array().unwrap().clone();
        let day = (0..10).map(hour).chain(shown).chain((12..24).map(hour));
        example["event"]["hours"] = day.collect();
    }
    example
}

#[tokio::test]
async fn the_page_is_true() {
    let page = std::fs::read_to_string("docs/events.md").unwrap();
    let app = app::start().await;
    let office = office(&app).await;
    let mut kinds = BTreeSet::new();
    for block in page.split("```json\n").skip(1) {
        let text = block.split("```").next().unwrap();
        let example: Value = serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"));
        if example.get("changes").is_some() {
            let answer = office.post("/v1/what-ifs", &example).await.expect(200);
            assert!(answer["cost_after"]["total"].is_number(), "{answer}");
        } else if example.get("job").is_some() {
            let answer = office.post("/v1/promises", &example).await.expect(200);
            assert!(answer["firm"]["finish"].is_string(), "{answer}");
        } else {
            let answer = office.post("/v1/events", &filled(example)).await.expect(201);
            assert_eq!(answer["standing"], "applied", "{answer}");
            kinds.insert(answer["kind"].as_str().unwrap().to_owned());
        }
    }
    let known = tackfree::dto::EVENT_KINDS.iter().filter(|(_, told)| *told).map(|(kind, _)| (*kind).to_owned());
    assert_eq!(kinds, known.collect());
    for (kind, _) in tackfree::dto::EVENT_KINDS {
        assert!(page.contains(&format!("`{kind}`")), "the page is silent about {kind}");
    }
    for standing in ["applied", "known", "overtaken", "waiting", "contradicts"] {
        assert!(page.contains(&format!("| `{standing}` |")));
    }
}
