//! `hub`: the desk of a shop with many machines. Commands write to the message server and read the hub's
//! copy, so they need no hub that runs.

mod arguments;
mod board;
mod orders;
mod people;
mod results;

use std::path::PathBuf;

use anyhow::Context;
use tokio::runtime::Runtime;

pub(super) use arguments::HubCommand;
use arguments::HubPlace;

use super::{Exit, Failure};
use crate::fleet::floor::Floor;
use crate::fleet::hub::{HubDesk, HubFolder, Keep, read_desk, serve_hub};
use crate::fleet::link::LinkOptions;
use crate::fleet::protocol::{DeskEntry, DeskNote};
use crate::os;

/// Runs the command.
pub(super) fn hub(wanted: HubCommand) -> Result<Exit, Failure> {
    match wanted {
        HubCommand::Init(wanted) => people::init(&wanted),
        HubCommand::Serve(place) => serve(&place),
        HubCommand::Enrol(wanted) => people::enrol(&wanted),
        HubCommand::Revoke { machine, place } => people::revoke(&machine, &place),
        HubCommand::Machines(wanted) => board::machines(&wanted),
        HubCommand::Circuit(wanted) => people::circuit(&wanted),
        HubCommand::Order(wanted) => orders::order(&wanted),
        HubCommand::Orders(wanted) => orders::orders(&wanted),
        HubCommand::Cancel {
            order,
            machine,
            place,
        } => orders::cancel(order, machine, &place),
        HubCommand::Results(wanted) => results::results(&wanted),
        HubCommand::Export(wanted) => results::export(&wanted),
        HubCommand::Sheets(wanted) => results::sheets(&wanted),
        HubCommand::Board(wanted) => board::board(&wanted),
    }
}

fn serve(place: &HubPlace) -> Result<Exit, Failure> {
    let folder = place.folder()?;
    serve_hub(folder.path().to_path_buf(), folder.link()?, folder.pages()?)?;
    Ok(Exit::Fine)
}

impl HubPlace {
    fn path(&self) -> Result<PathBuf, Failure> {
        match &self.hub {
            Some(folder) => Ok(folder.clone()),
            None => Ok(os::state_folder().map_err(Failure::usage)?.join("hub")),
        }
    }

    fn folder(&self) -> Result<HubFolder, Failure> {
        HubFolder::open(&self.path()?).map_err(Failure::usage)
    }
}

/// The desk, for a command: what was said there is known when it is opened.
struct Counter {
    runtime: Runtime,
    desk: HubDesk,
    floor: Floor,
}

impl Counter {
    fn open(folder: &HubFolder) -> Result<Self, Failure> {
        let (link, copies): (LinkOptions, usize) = folder.link()?;
        let keep = Keep::open(folder.path())?;
        let runtime = os::event_loop().context("cannot start the event loop")?;
        let (desk, floor) = runtime.block_on(async {
            let desk = HubDesk::open(&link, copies).await?;
            let floor = read_desk(&desk, &keep, os::moment().wall).await?;
            Ok::<_, anyhow::Error>((desk, floor))
        })?;
        Ok(Self {
            runtime,
            desk,
            floor,
        })
    }

    fn say(&mut self, entry: DeskEntry) -> Result<DeskNote, Failure> {
        let note = self.runtime.block_on(self.desk.say(entry))?;
        self.floor.hear(&note);
        Ok(note)
    }
}
