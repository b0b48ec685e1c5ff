//! On whose behalf something is done: known to whoever answers a request, and said to the database with every transaction
//! that may write, which puts it into the lines of `change_line`. It goes along with the work and not through every call, so
//! that no way of changing something can forget it.

use super::TokenRole;
use std::cell::Cell;
use std::future::Future;
use uuid::Uuid;

tokio::task_local! {
    static ACT: Act;
}

/// Who does something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doer {
    /// A program, by its token.
    Token(Uuid),
    /// Somebody who is signed in.
    Person(Uuid),
    /// A crew's phone.
    CrewLink(Uuid),
    /// Whoever has the operator's token.
    Operator,
    /// Whoever gives a command where the server runs.
    Command,
    /// The server by itself.
    Server,
}

impl Doer {
    const fn word(self) -> &'static str {
        match self {
            Doer::Token(_) => "token",
            Doer::Person(_) => "person",
            Doer::CrewLink(_) => "crew_link",
            Doer::Operator => "operator",
            Doer::Command => "command",
            Doer::Server => "server",
        }
    }

    const fn id(self) -> Option<Uuid> {
        match self {
            Doer::Token(id) | Doer::Person(id) | Doer::CrewLink(id) => Some(id),
            Doer::Operator | Doer::Command | Doer::Server => None,
        }
    }
}

/// Something that is done.
#[derive(Debug)]
pub struct Act {
    operation: String,
    request: Option<Uuid>,
    doer: Cell<Doer>,
    role: Cell<Option<TokenRole>>,
}

impl Act {
    /// By `doer`, until somebody else turns out to do it.
    pub fn new(doer: Doer, operation: impl Into<String>, request: Option<Uuid>) -> Act {
        Act { operation: operation.into(), request, doer: Cell::new(doer), role: Cell::new(None) }
    }

    /// Does it: whatever `work` writes is written on behalf of this, other than what it leaves to tasks of their own.
    pub async fn of<F: Future>(self, work: F) -> F::Output {
        ACT.scope(self, work).await
    }

    /// Says of what is being done who does it. Outside of any it says nothing.
    pub fn by(doer: Doer, role: Option<TokenRole>) {
        let _ = ACT.try_with(|act| {
            act.doer.set(doer);
            act.role.set(role);
        });
    }

    /// For `app.act`: nothing in it can end the text.
    pub(super) fn text() -> String {
        ACT.try_with(Act::to_text).unwrap_or_else(|_| Act::new(Doer::Server, "", None).to_text())
    }

    fn to_text(&self) -> String {
        let doer = self.doer.get();
        let id = |id: Option<Uuid>| id.map(|id| id.to_string()).unwrap_or_default();
        let operation: String = self.operation.chars().filter(|c| !c.is_control() && !"'\\|".contains(*c)).collect();
        let role = self.role.get().map_or("", TokenRole::word);
        format!("{}|{}|{role}|{}|{operation}", doer.word(), id(doer.id()), id(self.request))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn what_is_done_goes_along_with_the_work() {
        assert_eq!(Act::text(), "server||||");
        let (token, request) = (Uuid::from_u128(7), Uuid::from_u128(8));
        let told = Act::new(Doer::Server, "change 'x' | \\ y", Some(request)).of(async {
            let before = Act::text();
            Act::by(Doer::Token(token), Some(TokenRole::Office));
            tokio::task::yield_now().await;
            (before, Act::text())
        });
        let (before, after) = told.await;
        assert_eq!(before, format!("server|||{request}|change x   y"));
        assert_eq!(after, format!("token|{token}|office|{request}|change x   y"));
        Act::by(Doer::Operator, None);
        assert_eq!(Act::text(), "server||||");
    }
}
