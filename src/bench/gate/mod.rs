//! Who may come in: addresses, pairing, cookies, and bounds on what a client may send.
//!
//! [`listen`] and [`serve`](fn@serve) own the sockets, [`guard`] stands before every route. On loopback nobody pairs, but
//! `Host` and `Origin` are checked all the same, since any page in any browser can send requests to
//! loopback. On a LAN whoever comes in typed a code from the terminal: one code for those who act, one for
//! those who look. `protocol-notes/security.md` says what this protects, and what it does not.
//!
//! - [`limits`]: what is bounded, and by how much.
//! - [`reach`]: where the daemon listens, and the names by which it may be called.
//! - [`pairing`]: codes, tries and cookies, as a pure state machine; [`pair`]: its two routes.
//! - [`invitation`]: the codes as text and as QR codes for the terminal.
//! - [`refusal`]: every way of being turned away, in words; [`page`]: the two pages of the gate.
//! - [`standing`]: how long that holds; what is open for hours ends with it.
//! - [`admit`]: what a request has to pass; [`sealed`]: the headers that every answer carries.
//! - [`serve`](mod@serve), [`patient`], [`seats`]: the accept loop, clients that do not read, and how many may sit.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::MutexGuard;
use std::sync::PoisonError;

use axum::Router;
use axum::extract::Request;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::middleware::Next;
use axum::middleware::from_fn_with_state;
use axum::response::Response;
use axum::routing::get;
use thiserror::Error;
use tokio::sync::Notify;

use crate::session::clock::Clock;

pub mod admit;
pub mod invitation;
pub mod limits;
pub mod page;
pub mod pair;
pub mod pairing;
pub mod patient;
pub mod reach;
pub mod refusal;
pub mod sealed;
pub mod seats;
pub mod serve;
pub mod standing;
pub mod tries;

pub use limits::Limits;
pub use pair::PairingApi;
pub use pairing::Role;
pub use reach::Reach;
pub use refusal::Refusal;
pub use serve::Peer;
pub use serve::listen;
pub use serve::serve;
pub use standing::Standing;

use invitation::Invitation;
use pairing::Code;
use pairing::Pairing;
use pairing::Pass;
use pairing::Token;

/// The machine has no source of random numbers, so no code could be trusted.
#[derive(Debug, Error)]
#[error(
    "no random numbers can be had from this machine ({0}), so no pairing code can be made; serve on loopback, without --lan"
)]
pub struct NoRandom(#[from] getrandom::Error);

/// The gate of one daemon: where it listens, who has paired, and what a request may bring.
#[derive(Debug)]
pub struct Gate {
    listening: SocketAddr,
    reach: Reach,
    names: Vec<String>,
    limits: Limits,
    clock: Clock,
    codes: [Code; 2],
    pairing: Mutex<Pairing>,
    /// Told whenever a pairing may have ended before its time.
    withdrawn: Notify,
}

impl Gate {
    /// A gate for a daemon that listens at `listening` (the bound address, with its true port). `names` are the
    /// host names, beside addresses and `localhost`, by which browsers may call it, such as `bench.local`.
    ///
    /// # Errors
    /// [`NoRandom`] where the machine gives no random numbers.
    pub fn new(
        listening: SocketAddr,
        reach: Reach,
        names: &[String],
        limits: Limits,
        clock: Clock,
    ) -> Result<Gate, NoRandom> {
        let codes = [Code::new(random()?), Code::new(random()?)];
        let pairing = Mutex::new(Pairing::new(&codes[0], &codes[1]));
        let names = names.iter().map(|name| name.to_ascii_lowercase()).collect();
        Ok(Gate { listening, reach, names, limits, clock, codes, pairing, withdrawn: Notify::new() })
    }

    /// What the terminal shows so that others can pair; `None` on loopback, where nobody has to.
    pub fn invitation(&self) -> Option<Invitation> {
        let [operator, viewer] = &self.codes;
        (self.reach == Reach::Lan).then(|| Invitation::new(self.url(), operator.clone(), viewer.clone()))
    }

    /// The address to type into a browser: on a LAN one that others can reach, if the machine knows it.
    pub fn url(&self) -> String {
        reach::url(self.listening, self.reach, &self.names)
    }

    /// The name of the pairing cookie. Browsers do not tell ports apart in cookies, so that two daemons on one
    /// machine need two names.
    pub fn cookie_name(&self) -> String {
        format!("halfpanel-{}", self.listening.port())
    }

    /// The bounds that this gate holds requests to.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    fn pairing(&self) -> MutexGuard<'_, Pairing> {
        // A panic elsewhere leaves whole values behind: nothing here is changed in two steps.
        self.pairing.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Somebody has paired anew: what their browser brought before opens nothing any more.
    fn forget(&self, brought: &HeaderMap) {
        let name = self.cookie_name();
        let before = admit::cookies(brought, &name).filter_map(Pass::of);
        before.for_each(|pass| self.pairing().withdraw(&pass));
        self.withdrawn.notify_waiters();
    }

    fn token(&self) -> Result<Token, Refusal> {
        Ok(Token::new(random().map_err(|_| Refusal::NoRandom)?))
    }
}

fn random<const N: usize>() -> Result<[u8; N], getrandom::Error> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes)?;
    Ok(bytes)
}

/// Puts the gate before every route of `router` and adds `/pair`. Handlers find the [`Role`] of whoever asks
/// in the request's extensions. Empty and plain-text refusals of the router become pages in words.
pub fn guard(router: Router, gate: Arc<Gate>) -> Router {
    let pair = Router::new().route("/pair", get(pair::form).post(pair::enter)).with_state(Arc::clone(&gate));
    router.merge(pair).layer(from_fn_with_state(gate, stand))
}

async fn stand(State(gate): State<Arc<Gate>>, request: Request, next: Next) -> Response {
    let asked = refusal::Asked::of(&request);
    let response = match admit::admit(&gate, request).await {
        Ok(request) => asked.in_words(next.run(request).await).await,
        Err(refusal) => {
            tracing::debug!(path = asked.path(), %refusal, "turned away");
            asked.refuse(&refusal)
        }
    };
    sealed::seal(response, &asked)
}
