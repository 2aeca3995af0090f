//! The floor in a browser: the board, results, machines, papers. They show and alter nothing; whoever orders
//! or enrols does it at the hub. Who may look is the gate's matter, as everywhere ([`web`](crate::web)).

mod board;
mod results;

use std::path::PathBuf;
use std::sync::Arc;

use axum::Router;
use axum::middleware::from_fn;
use axum::response::Html;
use axum::routing::{get, post};

use super::keep::{Keep, KeepError};
use super::shop::SharedShop;
use crate::report::HUB_PAGES;
use crate::web::{
    House, HttpProblem, SIGN_IN, aside, ask_in, dress, in_time, page_script, sign_in, sign_out,
    wrong_method, wrong_path,
};
use board::Latest;

/// How its visitors are known, and where they can go.
pub(super) const HOUSE: House = House {
    cookie: "soakproof-hub-visit",
    pages: HUB_PAGES,
};
/// A page, or what is wrong.
type Shown = Result<Html<String>, HttpProblem>;

/// Everything that the pages reach.
#[derive(Debug, Clone)]
pub(super) struct Desk {
    folder: PathBuf,
    shop: SharedShop,
    latest: Arc<Latest>,
}

impl Desk {
    pub(super) fn new(folder: PathBuf, shop: SharedShop) -> Self {
        let latest = Arc::default();
        Self {
            folder,
            shop,
            latest,
        }
    }

    /// Lets `look` read, on a thread where it may take its time.
    async fn look<T: Send + 'static>(
        &self,
        look: impl FnOnce(&Self) -> Result<T, HttpProblem> + Send + 'static,
    ) -> Result<T, HttpProblem> {
        let desk = self.clone();
        aside(move || look(&desk)).await?
    }

    fn keep(&self) -> Result<Keep, HttpProblem> {
        Ok(Keep::open(&self.folder)?)
    }
}

impl From<KeepError> for HttpProblem {
    fn from(error: KeepError) -> Self {
        Self::inner(&error)
    }
}

/// All pages.
pub(super) fn router(desk: Desk) -> Router {
    Router::new()
        .route("/", get(board::show))
        .route("/live", get(board::live))
        .route("/page.js", get(page_script))
        .route("/machines/{machine}", get(results::machine))
        .route("/results", get(results::results))
        .route("/results.csv", get(results::table))
        .route("/sheets", get(results::sheets))
        .route("/runs/{run}", get(results::run))
        .route("/runs/{run}/sheet", get(results::sheet))
        .route(SIGN_IN, get(ask_in).post(sign_in))
        .route("/sign-out", post(sign_out))
        .fallback(wrong_path)
        .method_not_allowed_fallback(wrong_method)
        .layer(from_fn(dress))
        .layer(from_fn(in_time))
        .with_state(desk)
}
