//! The same history gives the same plan: a company that lives through the same days twice, its events told as they
//! happened or twice and out of order between two repairs, ends with the same promise to the minute.

use crate::common::generate;
use crate::common::generate::Draw;
use crate::common::life::{Life, OFFICE};
use crate::common::store;
use serde_json::{Value, json};
use tackfree::dto::{EventBody, OutcomeDto};
use uuid::Uuid;

const HOUSES: usize = 8;
const CREWS: usize = 3;
const CHECKS: usize = 6;

/// In what order, and how often, events between two repairs are told.
#[derive(Clone, Copy, PartialEq)]
enum Telling {
    AsTheyHappened,
    TwiceInAnyOrder(u64),
}

/// Crew, machine and door: what else goes wrong when a check fails.
fn troubles(round: usize, at: chrono::DateTime<chrono::Utc>) -> Vec<EventBody> {
    let after = |hours: i64| (at + chrono::Duration::hours(hours)).to_rfc3339();
    let crew = format!("crew-{}", round % CREWS);
    let house = format!("house-{}", round % HOUSES);
    let told: [Value; 3] = [
        json!({"kind": "crew_away", "crew": crew, "from": after(2), "until": after(30)}),
        json!({"kind": "house_closed", "house": house, "from": after(1), "until": after(26)}),
        json!({"kind": "machine_broken", "equipment": "edger", "units": 1, "from": after(0), "until": after(40)}),
    ];
    let body = |(number, event): (usize, Value)| EventBody {
        id: Uuid::from_u128((round * 10 + number + 1) as u128 + (3 << 76)),
        at: at.to_rfc3339(),
        note: None,
        event,
    };
    told.into_iter().enumerate().map(body).collect()
}

/// All promises after each check, without anything that is new in every company.
async fn lived(telling: Telling) -> Vec<String> {
    let test = store::fresh_store().await;
    let situation = generate::fleet(3, HOUSES, CREWS);
    let mut life = Life::begin(test.store.clone(), &situation, 50).await;
    let mut plans = Vec::new();
    for round in 0..CHECKS {
        let check = life.reach_next_check().await;
        life.tell(&check.job, &check.report(OutcomeDto::Failed)).await;
        let mut events = troubles(round, life.service.now());
        if let Telling::TwiceInAnyOrder(seed) = telling {
            let mut draw = Draw::new(seed + round as u64);
            events = events.iter().chain(&events).cloned().collect();
            for place in (1..events.len()).rev() {
                events.swap(place, draw.between(0, place as i64) as usize);
            }
        }
        for event in &events {
            let mut session = life.service.store().session(life.company).await.unwrap();
            life.service.tell(&mut session, &OFFICE, event).await.unwrap();
            session.commit().await.unwrap();
        }
        life.repair().await;
        let mut session = life.service.store().snapshot(life.company).await.unwrap();
        let plan = life.service.published_plan(&mut session).await.unwrap();
        let placements = serde_json::to_string(&plan.placements).unwrap();
        plans.push(format!("{} {:?} {placements}", plan.plan.number, plan.plan.cost));
    }
    plans
}

#[tokio::test]
async fn the_same_history_gives_the_same_plans() {
    let once = lived(Telling::AsTheyHappened).await;
    assert!(once.windows(2).all(|pair| pair[0] != pair[1]), "something changes at each check");
    assert_eq!(lived(Telling::AsTheyHappened).await, once);
    for seed in 1..=3 {
        assert_eq!(lived(Telling::TwiceInAnyOrder(seed)).await, once, "order {seed}");
    }
}
