//! The loop behind tasks: it works while there is work, is woken by news, outlives failures and outages, and finishes what
//! it has begun when it is told to stop.

use crate::common::postgres::server;
use crate::common::proxy::Proxy;
use crate::common::receiver::Receiver;
use crate::common::store::{TestStore, at, doc, fresh_store};
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use tackfree::service::clock::SetClock;
use tackfree::service::{Service, ServiceError};
use tackfree::store::{CompanyId, DeliveryStatus, NewNotice, NewWebhook, NoticeKind, POOL_SIZE_DEFAULT, Store};
use tackfree::webhook::Targets;
use tackfree::worker::{Deliver, Outcome, Task, Worker};
use tokio::sync::Notify;
use tokio::time::timeout;

/// So long is waited for what must come; nothing waits that long when all is well.
const SOON: Duration = Duration::from_secs(30);

/// What a task does at its tries, one after the other, and how often it was tried.
#[derive(Default)]
struct Script {
    tries: AtomicUsize,
    tried: Notify,
}

/// Fails, panics, works, and then has nothing to do.
struct Scripted(Arc<Script>);

impl Task for Scripted {
    fn name(&self) -> &'static str {
        "scripted"
    }

    async fn try_once(&self) -> Result<Outcome, ServiceError> {
        let before = self.0.tries.fetch_add(1, Ordering::SeqCst);
        self.0.tried.notify_one();
        match before {
            0 => Err(ServiceError::PlanningBusy),
            1 => panic!("a defect, by intention"),
            2..6 => Ok(Outcome::Worked),
            _ => Ok(Outcome::Idle),
        }
    }
}

impl Script {
    async fn until(&self, tries: usize) {
        let enough = async {
            while self.tries.load(Ordering::SeqCst) < tries {
                self.tried.notified().await;
            }
        };
        timeout(SOON, enough).await.expect("it is tried");
    }
}

fn service(store: Store) -> Service {
    service_by(store, Arc::new(SetClock::new(at(0))))
}

fn service_by(store: Store, clock: Arc<SetClock>) -> Service {
    Service::with_clock(store, clock).with_webhook_targets(Targets::Private)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_task_is_tried_again_after_failures_and_panics() {
    let test = fresh_store().await;
    let script = Arc::new(Script::default());
    let worker = Worker::new(&service(test.store.clone())).with(Scripted(script.clone()));
    // Six tries that come to something, and idle ones: polled, without a knock.
    script.until(8).await;
    timeout(SOON, worker.stop(SOON)).await.expect("it stops");
    let tries = script.tries.load(Ordering::SeqCst);
    tokio::task::yield_now().await;
    assert_eq!(script.tries.load(Ordering::SeqCst), tries, "nothing is begun any more");
}

/// Begins something and goes on until it is let go.
struct Long {
    begun: Arc<Notify>,
    go_on: Arc<Notify>,
    finished: Arc<AtomicUsize>,
}

impl Task for Long {
    fn name(&self) -> &'static str {
        "long"
    }

    async fn try_once(&self) -> Result<Outcome, ServiceError> {
        self.begun.notify_one();
        self.go_on.notified().await;
        self.finished.fetch_add(1, Ordering::SeqCst);
        Ok(Outcome::Worked)
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_begun_is_finished_before_it_stops_but_not_waited_for_without_end() {
    let test = fresh_store().await;
    for (let_go, finished_then) in [(true, 1), (false, 0)] {
        let (begun, go_on, finished) =
            (Arc::new(Notify::new()), Arc::new(Notify::new()), Arc::new(AtomicUsize::new(0)));
        let long = Long { begun: begun.clone(), go_on: go_on.clone(), finished: finished.clone() };
        let service = service(test.store.clone());
        let worker = Worker::new(&service).with(long);
        timeout(SOON, begun.notified()).await.unwrap();
        let stop = service.stopping().clone();
        let most = if let_go { SOON } else { Duration::from_millis(100) };
        let stopped = tokio::spawn(worker.stop(most));
        stop.stopped().await;
        assert_eq!(finished.load(Ordering::SeqCst), 0);
        if let_go {
            go_on.notify_one();
        }
        timeout(SOON, stopped).await.expect("it stops").unwrap();
        assert_eq!(finished.load(Ordering::SeqCst), finished_then);
    }
}

async fn office(test: &TestStore, receiver: &Receiver) -> CompanyId {
    let company = test.company("Plane & Sons").await;
    let mut session = test.session(company).await;
    let new = NewWebhook { address: receiver.address.clone(), kinds: vec![], secret: vec![1; 32], at: at(0) };
    session.insert_webhook(&new).await.unwrap();
    session.commit().await.unwrap();
    company
}

async fn tell(test: &TestStore, company: CompanyId) {
    let mut session = test.session(company).await;
    let kind = NoticeKind::PlanProposed;
    session.tell(NewNotice { kind, job_id: None, crew_id: None, at: at(0), doc: doc(json!({})) });
    session.commit().await.unwrap();
}

/// Until so many have arrived and that is written down, too.
async fn until_done(test: &TestStore, company: CompanyId, count: usize) {
    let done = async {
        loop {
            let mut session = test.session(company).await;
            let hook = session.webhooks().await.unwrap()[0].id;
            if session.deliveries(hook, Some(DeliveryStatus::Done), None, 10).await.unwrap().len() == count {
                break;
            }
        }
    };
    timeout(SOON, done).await.expect("it is written down");
}

async fn until_came(receiver: &Receiver, number: i64) {
    let came = async {
        let mut numbers = Vec::new();
        while !numbers.contains(&number) {
            numbers.extend(receiver.numbers());
            tokio::task::yield_now().await;
        }
    };
    timeout(SOON, came).await.expect("it is delivered");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn deliveries_go_on_after_an_outage_of_the_database() {
    let test = fresh_store().await;
    let receiver = Receiver::start().await;
    let company = office(&test, &receiver).await;
    let mut proxy = Proxy::new(server().socket_directory());
    let store = Store::open(test.app.clone().socket(proxy.folder()), POOL_SIZE_DEFAULT).await.unwrap();
    let clock = Arc::new(SetClock::new(at(0)));
    let service = service_by(store, clock.clone());
    let worker = Worker::new(&service).with(Deliver::new(&service));
    tell(&test, company).await;
    until_came(&receiver, 1).await;
    until_done(&test, company, 1).await;
    proxy.cut().await;
    tell(&test, company).await;
    // What was leased by a question whose answer the outage swallowed is due again when that lease has run out.
    clock.set(at(60));
    proxy.mend();
    until_came(&receiver, 2).await;
    tell(&test, company).await;
    until_came(&receiver, 3).await;
    timeout(SOON, worker.stop(SOON)).await.expect("it stops");
}

/// With the poll out of the picture: two loops on two connections, and only a knock between them.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn news_wakes_who_waits() {
    let test = fresh_store().await;
    let company = test.company("Plane & Sons").await;
    let service = service(test.store.clone());
    let worker = Worker::new(&service);
    let (mut own, mut other) = (service.wakes().of(company), service.wakes().of(CompanyId(uuid::Uuid::nil())));
    // Everybody is woken when the listening begins.
    timeout(SOON, own.knock()).await.unwrap();
    timeout(SOON, other.knock()).await.unwrap();
    tell(&test, company).await;
    timeout(SOON, own.knock()).await.expect("its own");
    assert!(timeout(Duration::ZERO, other.knock()).await.is_err(), "nobody else's");
    timeout(SOON, worker.stop(SOON)).await.expect("it stops");
}
