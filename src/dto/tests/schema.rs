//! What OpenAPI says of the shapes.

use super::*;
use utoipa::OpenApi;

#[derive(OpenApi)]
#[openapi(components(schemas(PlanningFile, PlanDto, ViolationDto, FaultDto, ForecastDto)))]
struct Shapes;

/// Every shape is described, closed to unknown members where the reader is, and required where the reader requires.
#[test]
fn shapes_are_described_as_they_are_read() {
    let document = serde_json::to_value(Shapes::openapi()).unwrap();
    let schemas = document.pointer("/components/schemas").and_then(Value::as_object).unwrap();
    for name in ["CalendarDto", "StepOverrideDto", "WaitMaxDto", "HouseAirDto", "BlockerDto", "CauseDto", "GateDto"] {
        assert!(schemas.contains_key(name), "{name} is not among {:?}", schemas.keys());
    }
    let house = &schemas["HouseDto"];
    assert_eq!(house["additionalProperties"], Value::Bool(false));
    let required: Vec<&str> = house["required"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    assert_eq!(required, ["key", "name", "access", "areas"]);
    assert_eq!(schemas["StepDto"]["properties"]["head_count_min"]["maximum"], 50);
    assert_eq!(schemas["StepDto"]["properties"]["equipment"]["additionalProperties"]["type"], "integer");
    assert_eq!(schemas["PieceDto"]["properties"]["start"]["format"], "date-time");
}
