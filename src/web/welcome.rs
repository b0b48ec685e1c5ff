//! The first page: what this is, and where to go from here.

use super::shell;
use maud::{Markup, html};

/// The page.
pub(super) fn page() -> Markup {
    let body = html! {
        main.welcome {
            div.planks aria-hidden="true" { i.k-sand {} i.k-treat-a {} i.k-check {} i.k-seal {} i.k-coat {} }
            h1 { "tackfree" }
            p.lead {
                "Scheduling for crews that sand and finish wood floors in several houses at once. It knows that a floor \
                 is mostly waiting: it dwells, dries and cures, and the crew that coated one house sands another \
                 meanwhile. It plans who goes where and when, says why, and keeps its promises when a reading fails, \
                 somebody is ill or the weather turns."
            }
            dl.ways {
                div { dt { a href="/sign-in" { "Sign in" } } dd { "For the office and whoever it has given a name and a password." } }
                div { dt { a href="/docs/" { "/docs/" } } dd { "Every address of the programming interface, to browse and to try." } }
                div { dt { a href="/openapi.json" { "/openapi.json" } } dd { "The same for programs (OpenAPI 3.1)." } }
                div { dt { a href="/healthz" { "/healthz" } } dd { "Whether this server is well." } }
            }
            section {
                h2 { "A week to look at" }
                p {
                    "Make a calendar address with " code { "POST /v1/feeds" } " for the office, a crew, a house or its \
                     customer. It ends in a secret; the same secret opens " code { "/week/SECRET" } " in any browser, and \
                     whoever knows it needs no other key. Take the calendar address back and the page is gone too."
                }
                pre { code {
                    "POST /v1/feeds   {\"kind\": \"office\"}\n\n/feeds/SECRET.ics   the calendar\n/week/SECRET        the page"
                } }
            }
        }
    };
    shell::page("tackfree", &body)
}
