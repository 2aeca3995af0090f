//! Forms as they come in. This is the only way for one to reach a handler, so that none forgets to look
//! where it comes from.

use axum::extract::{Form, FromRequest, Request};
use axum::http::{HeaderMap, StatusCode, header};

use super::gate::Visitor;
use super::problem::HttpProblem;

/// The fields of a form.
#[derive(Debug)]
pub(crate) struct Fields(Vec<(String, String)>);

impl Fields {
    /// What stands in a field, without blanks around it; empty where it was not sent.
    pub(crate) fn text(&self, name: &str) -> &str {
        let found = self.0.iter().find(|(known, _)| known == name);
        found.map_or("", |(_, text)| text.trim())
    }

    /// A figure with a point or a comma; none for an empty field.
    pub(crate) fn figure(&self, name: &str, called: &str) -> Result<Option<f64>, HttpProblem> {
        let text = self.text(name);
        if text.is_empty() {
            return Ok(None);
        }
        let figure: Option<f64> = text.replace(',', ".").parse().ok();
        let figure = figure.filter(|figure| figure.is_finite());
        figure
            .map(Some)
            .ok_or_else(|| HttpProblem::unfit(format!("{called} is no figure: `{text}`")))
    }
}

/// A form of a page that was made for this visitor: its proof is handed back, and the browser tells that
/// it comes from one of our pages.
#[derive(Debug)]
pub(crate) struct Sent(pub(crate) Fields);

impl<S: Send + Sync> FromRequest<S> for Sent {
    type Rejection = HttpProblem;

    async fn from_request(request: Request, state: &S) -> Result<Self, HttpProblem> {
        let visitor = request.extensions().get::<Visitor>().cloned();
        let Unproved(fields) = Unproved::from_request(request, state).await?;
        let proved = visitor.is_some_and(|visitor| visitor.has_sent(fields.text("proof")));
        if proved {
            Ok(Self(fields))
        } else {
            Err(HttpProblem::new(
                StatusCode::FORBIDDEN,
                "the form was made for another visit, or none; go back, load the page anew and send it again",
            ))
        }
    }
}

/// A form that only comes from one of our pages: the sign-in, before there is a visit.
#[derive(Debug)]
pub(crate) struct Unproved(pub(crate) Fields);

impl<S: Send + Sync> FromRequest<S> for Unproved {
    type Rejection = HttpProblem;

    async fn from_request(request: Request, state: &S) -> Result<Self, HttpProblem> {
        if !is_of_own_page(request.headers()) {
            return Err(HttpProblem::new(
                StatusCode::FORBIDDEN,
                "a form comes from a page of this service, and the browser says so (`Origin`); programs \
                 use the resources below `/v1`",
            ));
        }
        let Form(fields) = Form::from_request(request, state).await?;
        Ok(Self(Fields(fields)))
    }
}

/// The gate has sent away every `Origin` of somebody else; one that does not say it may be anybody's.
fn is_of_own_page(headers: &HeaderMap) -> bool {
    headers.contains_key(header::ORIGIN)
}
