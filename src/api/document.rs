//! The OpenAPI document: what the handlers say about themselves, and what is the same for all of them.

use super::problem::{PROBLEM_JSON, ProblemBody, ProblemError};
use super::routes;
use actix_web::App;
use std::collections::BTreeMap;
use utoipa::openapi::path::{HttpMethod, Operation, Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::schema::{ArrayItems, Object, ObjectBuilder, Schema, Type};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::openapi::{Content, HeaderBuilder, OpenApi, Ref, RefOr, Required, Response, ResponseBuilder};
use utoipa::{OpenApi as _, ToSchema};
use utoipa_actix_web::AppExt;

const ABOUT: &str = "Crews, houses, chains of work with their waits, plans and calendars of a company that sands and \
    finishes wood floors in several houses at once.\n\n\
    **Tokens.** `Authorization: Bearer TOKEN`. The role `office` may do everything, `crew` looks and reports its own \
    work, `viewer` looks. A browser that is signed in may send its cookie instead, and with changes the header \
    `X-CSRF-Token`.\n\n\
    **Changes.** What can be changed has an `ETag`; a change sends it as `If-Match`. A POST may carry an \
    `Idempotency-Key`: sent again, it is answered again and not done again. Secrets are in the first reply only.\n\n\
    **Problems** are `application/problem+json` (RFC 9457); `code` is stable, `cure` says what helps, and `errors` lists \
    every fault at once. All kinds: /problems/";

#[derive(utoipa::OpenApi)]
#[openapi(
    info(title = "tackfree", description = ABOUT, license(name = "MIT", identifier = "MIT")),
    components(schemas(ProblemBody, ProblemError)),
    servers((url = "/", description = "this server"))
)]
struct Base;

/// The document that is served at `/openapi.json`.
pub fn openapi() -> OpenApi {
    let app = App::new().into_utoipa_app().openapi(Base::openapi()).configure(routes::configure);
    let (_, mut document) = app.split_for_parts();
    for (name, scheme) in [
        ("token", "A token of the company"),
        ("operator", "The token that the operator gave the server when starting it"),
    ] {
        let scheme = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).description(Some(scheme)).build();
        let components = document.components.get_or_insert_default();
        components.add_security_scheme(name, SecurityScheme::Http(scheme));
    }
    if let Some(components) = &mut document.components {
        merge_closed(&mut components.schemas);
    }
    for (path, item) in &mut document.paths.paths {
        let operations = [
            (HttpMethod::Get, &mut item.get),
            (HttpMethod::Post, &mut item.post),
            (HttpMethod::Put, &mut item.put),
            (HttpMethod::Patch, &mut item.patch),
            (HttpMethod::Delete, &mut item.delete),
        ];
        for (method, operation) in operations {
            if let Some(operation) = operation {
                complete(path, &method, operation);
            }
        }
    }
    document
}

/// Identifiers of operations by method and address, as `PUT /v1/houses/{key}`.
pub(super) type Operations = BTreeMap<String, String>;

/// Those of a document that change something.
pub(super) fn operations(document: &OpenApi) -> Operations {
    let mut all = Operations::new();
    for (path, item) in &document.paths.paths {
        let changing = [("POST", &item.post), ("PUT", &item.put), ("PATCH", &item.patch), ("DELETE", &item.delete)];
        for (method, operation) in changing {
            if let Some(id) = operation.as_ref().and_then(|operation| operation.operation_id.clone()) {
                all.insert(format!("{method} {path}"), id);
            }
        }
    }
    all
}

type Schemas = BTreeMap<String, RefOr<Schema>>;

/// A shape that refuses unknown members cannot be one part of several (JSON Schema looks at each part alone), so where
/// one is shown with more beside it, both become one shape, which leaves open what else is there.
fn merge_closed(schemas: &mut Schemas) {
    let known = schemas.clone();
    schemas.values_mut().for_each(|schema| merge_in(schema, &known));
}

/// In the shape itself, in its members, and in the elements of lists.
fn merge_in(schema: &mut RefOr<Schema>, known: &Schemas) {
    if let Some(one) = merged(schema, known) {
        *schema = RefOr::T(Schema::Object(one));
    }
    match schema {
        RefOr::T(Schema::Object(object)) => object.properties.values_mut().for_each(|member| merge_in(member, known)),
        RefOr::T(Schema::Array(list)) => {
            if let ArrayItems::RefOrSchema(element) = &mut list.items {
                merge_in(element, known);
            }
        }
        RefOr::T(Schema::OneOf(one)) => one.items.iter_mut().for_each(|item| merge_in(item, known)),
        _ => {}
    }
}

fn merged(schema: &RefOr<Schema>, known: &Schemas) -> Option<Object> {
    let RefOr::T(Schema::AllOf(all)) = schema else { return None };
    let parts: Vec<&Object> = all.items.iter().map(|item| object_of(item, known)).collect::<Option<_>>()?;
    let closed = parts.iter().any(|part| part.additional_properties.is_some());
    closed.then(|| one_of(schema, &parts))
}

fn one_of(whole: &RefOr<Schema>, parts: &[&Object]) -> Object {
    let mut one = Object::new();
    if let RefOr::T(Schema::AllOf(all)) = whole {
        one.description = all.description.clone();
    }
    for part in parts {
        one.properties.extend(part.properties.clone());
        one.required.extend(part.required.iter().cloned());
    }
    one
}

fn object_of<'a>(schema: &'a RefOr<Schema>, schemas: &'a Schemas) -> Option<&'a Object> {
    match schema {
        RefOr::T(Schema::Object(object)) => Some(object),
        RefOr::T(_) => None,
        RefOr::Ref(reference) => {
            let name = reference.ref_location.rsplit('/').next()?;
            schemas.get(name).and_then(|known| object_of(known, schemas))
        }
    }
}

/// Adds what holds for every operation of a kind.
fn complete(path: &str, method: &HttpMethod, operation: &mut Operation) {
    let secured = operation.security.as_ref().is_some_and(|security| !security.is_empty());
    let changes = matches!(method, HttpMethod::Put | HttpMethod::Patch | HttpMethod::Delete);
    let conditional = has_header(operation, "If-Match");
    // A calculation keeps nothing: asked again, it is worked out again. An event has an identifier of its own.
    let keeps = *method == HttpMethod::Post
        && !path.starts_with("/v1/calculations/")
        && !matches!(path, "/v1/jobs/{key}/treatment-plan" | "/v1/events" | "/v1/what-ifs" | "/v1/promises");
    if keeps {
        operation.parameters.get_or_insert_default().push(RefOr::T(idempotency_key()));
    }
    let mut problems = vec![(400, "A header or a part of the address cannot be used")];
    if secured {
        problems.push((401, "No valid token"));
        problems.push((403, "The token's role may not do this"));
    }
    if path.contains('{') {
        problems.push((404, "There is no such thing"));
    }
    if operation.request_body.is_some() {
        problems.extend([
            (408, "The body did not arrive in time"),
            (413, "The body is too large"),
            (415, "The body is of a kind that is not taken here"),
            (422, "The body has faults"),
        ]);
    }
    if keeps {
        problems.push((422, "The body has faults, or the Idempotency-Key was used for another request"));
    }
    if keeps || changes {
        problems.push((409, "It contradicts what is there"));
    }
    if conditional {
        problems.extend([(412, "It has been changed in the meantime"), (428, "The request has no If-Match")]);
    }
    if secured {
        problems.push((429, "More was asked for than one caller may"));
        problems.push((503, "The server or the database has too much to do, or cannot be reached"));
    }
    // A stream has no state to compare.
    let compared = *method == HttpMethod::Get && secured && path != "/v1/stream";
    if compared {
        operation.parameters.get_or_insert_default().push(RefOr::T(if_none_match()));
        let unchanged = ResponseBuilder::new().description("The asker has it already, as If-None-Match says");
        operation.responses.responses.entry("304".to_owned()).or_insert_with(|| unchanged.build().into());
    }
    for (status, about) in problems {
        operation.responses.responses.entry(status.to_string()).or_insert_with(|| problem(about).into());
    }
    if let Some(RefOr::T(ok)) = operation.responses.responses.get_mut("200")
        && (compared || (conditional && secured))
    {
        let header = HeaderBuilder::new().schema(Some(text())).description(Some("Version of what is in the reply"));
        ok.headers.insert("ETag".to_owned(), RefOr::T(header.build()));
    }
    if let Some(RefOr::T(created)) = operation.responses.responses.get_mut("201") {
        let header = HeaderBuilder::new().schema(Some(text())).description(Some("Address of what was made"));
        created.headers.insert("Location".to_owned(), RefOr::T(header.build()));
    }
}

fn text() -> Object {
    ObjectBuilder::new().schema_type(Type::String).build()
}

fn has_header(operation: &Operation, name: &str) -> bool {
    let named = |parameter: &RefOr<Parameter>| match parameter {
        RefOr::T(parameter) => parameter.parameter_in == ParameterIn::Header && parameter.name == name,
        RefOr::Ref(_) => false,
    };
    operation.parameters.iter().flatten().any(named)
}

fn idempotency_key() -> Parameter {
    let schema = ObjectBuilder::new().schema_type(Type::String).pattern(Some("^[!-~]{1,255}$"));
    ParameterBuilder::new()
        .name("Idempotency-Key")
        .parameter_in(ParameterIn::Header)
        .required(Required::False)
        .description(Some("Sent again, the request is answered again and not done again."))
        .schema(Some(schema))
        .build()
}

fn if_none_match() -> Parameter {
    ParameterBuilder::new()
        .name("If-None-Match")
        .parameter_in(ParameterIn::Header)
        .required(Required::False)
        .description(Some("ETags of what the asker has; what is among them is not sent again."))
        .schema(Some(text()))
        .build()
}

fn problem(about: &str) -> Response {
    let content = Content::new(Some(Ref::from_schema_name(ProblemBody::name())));
    ResponseBuilder::new().description(about).content(PROBLEM_JSON, content).build()
}
