//! `hub order`, `hub orders`, `hub cancel`.

use jiff::tz::TimeZone;
use rand::RngExt;
use serde_json::{Value, json};

use super::super::run::{style, wish};
use super::super::{Exit, Failure, put, put_json};
use super::Counter;
use super::arguments::{HubPlace, OrderArguments, ShowArguments};
use crate::fleet::floor::{Floor, Standing};
use crate::fleet::hub::Keep;
use crate::fleet::protocol::{DeskEntry, MachineName, Order};
use crate::model::Conditions;
use crate::os;
use crate::report::{self, Column};
use crate::service::agenda::parse_window;

/// Characters of an order's id that nobody takes for one another.
const LETTERS: &[u8] = b"abcdefghjkmnpqrstuvwxyz23456789";
/// Characters of an order's id.
const ID_LENGTH: usize = 6;

/// Gives an order.
pub(super) fn order(wanted: &OrderArguments) -> Result<Exit, Failure> {
    let folder = wanted.place.folder()?;
    let wish = wish(&wanted.named)?;
    let suite = crate::run::read_suite(&wish).map_err(Failure::usage)?;
    if suite.stages.iter().any(|stage| !stage.programs.is_empty()) {
        return Err(Failure::usage(anyhow::anyhow!(
            "the suite starts programs; machines take no such suite from elsewhere"
        )));
    }
    // Each machine reads it by the clock on its own wall.
    let window = wanted.window.as_deref();
    let window = window.map(|text| parse_window(text, None)).transpose();
    let conditions = Conditions {
        window: window.map_err(Failure::usage)?,
        unchecked: wanted.unchecked,
        ..Conditions::default()
    };
    let mut counter = Counter::open(&folder)?;
    let order = Order {
        id: new_id(&counter.floor),
        to: machines(&counter.floor, wanted)?,
        wish,
        conditions,
        priority: wanted.priority,
        repeat: wanted.repeat,
        again_after_failure: wanted.again_after_failure,
        by: os::user_name(os::own_user()),
    };
    counter.say(DeskEntry::Order(Box::new(order.clone())))?;
    if wanted.output.json {
        put_json(&json!({ "schema": "soakproof.hub.order/1", "order": order }));
    } else {
        put(&format!(
            "order {}: `{}` for {} machines\n",
            order.id,
            report::escape(&order.wish.suite),
            order.to.len()
        ));
    }
    Ok(Exit::Fine)
}

fn machines(floor: &Floor, wanted: &OrderArguments) -> Result<Vec<MachineName>, Failure> {
    let is_enrolled =
        |name: &MachineName| floor.machine(name).is_some_and(|machine| machine.enrolled);
    if let Some(name) = wanted.to.iter().find(|name| !is_enrolled(name)) {
        return Err(Failure::usage(anyhow::anyhow!(
            "no machine called `{name}` is enrolled; `soakproof hub machines` lists them"
        )));
    }
    let mut names = wanted.to.clone();
    if let Some(group) = &wanted.group {
        let of_group = floor
            .machines()
            .filter(|machine| machine.enrolled && machine.group.as_ref() == Some(group));
        let before = names.len();
        names.extend(of_group.map(|machine| machine.name.clone()));
        if names.len() == before {
            return Err(Failure::usage(anyhow::anyhow!(
                "no machine is of the group `{}`",
                report::escape(group)
            )));
        }
    }
    names.sort();
    names.dedup();
    Ok(names)
}

/// Short enough to be typed; one that was never given before.
fn new_id(floor: &Floor) -> String {
    let mut random = rand::rng();
    loop {
        let letters = (0..ID_LENGTH).map(|_| {
            let place = random.random_range(0..LETTERS.len());
            char::from(LETTERS[place])
        });
        let id: String = letters.collect();
        if floor.order(&id).is_none() {
            return id;
        }
    }
}

/// Lists orders.
pub(super) fn orders(wanted: &ShowArguments) -> Result<Exit, Failure> {
    let folder = wanted.place.folder()?;
    let floor = Keep::open(folder.path())?.floor(os::moment().wall)?;
    let orders = floor.orders();
    if wanted.output.json {
        let list: Vec<Value> = orders.iter().map(|order| form(&floor, order)).collect();
        put_json(&json!({ "schema": "soakproof.hub.orders/1", "orders": list }));
        return Ok(Exit::Fine);
    }
    let rows: Vec<Vec<String>> = orders.iter().map(|order| row(&floor, order)).collect();
    put(&report::table_text(
        &[
            Column::Words("order"),
            Column::Words("suite"),
            Column::Words("by"),
            Column::Figures("machines"),
            Column::Words("how it stands"),
        ],
        &rows,
        "No order was given yet.",
        &style().in_zone(TimeZone::system()),
    ));
    Ok(Exit::Fine)
}

fn form(floor: &Floor, order: &Order) -> Value {
    let machines = order.to.iter().map(|machine| {
        let (is, more) = words(&floor.standing(order, machine));
        json!({ "machine": machine, "is": is, "more": more })
    });
    json!({
        "id": order.id,
        "suite": order.wish.suite,
        "by": order.by,
        "priority": order.priority,
        "repeat": order.repeat,
        "again_after_failure": order.again_after_failure,
        "machines": machines.collect::<Vec<Value>>(),
    })
}

fn words(standing: &Standing) -> (&'static str, String) {
    match standing {
        Standing::Next { .. } => ("to be sent", String::new()),
        Standing::Out { job } => ("out", job.clone()),
        Standing::Done { failures: 0 } => ("done", String::new()),
        Standing::Done { failures } => ("failed", format!("{failures} times")),
        Standing::GivenUp { why } => ("given up", why.clone()),
        Standing::Cancelled => ("cancelled", String::new()),
    }
}

fn row(floor: &Floor, order: &Order) -> Vec<String> {
    let mut counts: Vec<(&'static str, u32)> = Vec::new();
    for machine in &order.to {
        let (is, _) = words(&floor.standing(order, machine));
        match counts.iter_mut().find(|(known, _)| *known == is) {
            Some((_, count)) => *count += 1,
            None => counts.push((is, 1)),
        }
    }
    let counts: Vec<String> = counts
        .iter()
        .map(|(is, count)| format!("{count} {is}"))
        .collect();
    vec![
        order.id.clone(),
        order.wish.suite.clone(),
        order.by.clone(),
        order.to.len().to_string(),
        counts.join(", "),
    ]
}

/// Takes an order back.
pub(super) fn cancel(
    order: String,
    machine: Option<MachineName>,
    place: &HubPlace,
) -> Result<Exit, Failure> {
    let mut counter = Counter::open(&place.folder()?)?;
    if counter.floor.order(&order).is_none() {
        return Err(Failure::usage(anyhow::anyhow!(
            "there is no order `{}`; `soakproof hub orders` lists them",
            report::escape(&order)
        )));
    }
    counter.say(DeskEntry::Cancel { order, machine })?;
    put("The order is taken back; what runs of it ends with a verdict.\n");
    Ok(Exit::Fine)
}
