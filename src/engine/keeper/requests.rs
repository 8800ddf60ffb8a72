//! What the page asks of the core, answered between two batches.

use tokio::sync::oneshot;

use crate::alarms::{AlarmNote, Answer, Answered};
use crate::engine::keeper::Engine;
use crate::engine::keeper::takeover::{PreparedPlan, TakeOverFault, TakenOver};
use crate::garden::view::SiteView;
use crate::garden::{Acclimatising, BagGiven, TankGiven};
use crate::model::Id;

/// Something asked of the core.
#[derive(Debug)]
pub enum Request {
    Sites(oneshot::Sender<Vec<(Id, String)>>),
    Site(String, oneshot::Sender<Option<Box<SiteView>>>),
    /// So many sites in short, from the one with this number on.
    Briefs(usize, usize, oneshot::Sender<Vec<SiteView>>),
    /// New fish in their bag: site and tank, what was said of bag and tank.
    Acclimatise(String, String, Box<(BagGiven, TankGiven)>, oneshot::Sender<Option<Box<Acclimatising>>>),
    /// Somebody answers a rehearsal; their note is kept. The result is sent once it is.
    Rehearsed(Box<AlarmNote>, oneshot::Sender<Answered>),
    /// Whether to note from now on what is stored, until the next [`Request::TakeOver`]: a
    /// configuration was read again.
    NoteStored(bool, oneshot::Sender<()>),
    /// A new configuration takes over between two batches, or the reason why not.
    TakeOver(Box<PreparedPlan>, oneshot::Sender<Result<TakenOver, TakeOverFault>>),
    /// Somebody answers an alarm. The result is sent once it is kept.
    Answer(Box<Answer>, oneshot::Sender<Answered>),
}

impl Engine {
    pub(super) fn answer(&mut self, request: Request) {
        // The page that asked may have gone.
        match request {
            Request::Sites(reply) => {
                let sites =
                    self.router.core.sites().map(|g| (g.site.id.clone(), g.site.name.clone())).collect();
                let _ = reply.send(sites);
            }
            Request::Site(id, reply) => {
                let _ = reply.send(self.router.core.view(&id).map(Box::new));
            }
            Request::Briefs(from, count, reply) => {
                let _ = reply.send(self.router.core.brief_views(from, count));
            }
            Request::Acclimatise(site, tank, given, reply) => {
                let core = &self.router.core;
                // The garden's own present, as in its views.
                let answer = core.view(&site).and_then(|view| {
                    let (bag, given) = *given;
                    core.acclimatise(Some(&site), &tank, bag, given, view.now)
                });
                let _ = reply.send(answer.map(Box::new));
            }
            Request::Rehearsed(note, reply) => {
                self.batch.notes.push(*note);
                self.answered.push((reply, Answered::Done));
            }
            Request::NoteStored(note, reply) => {
                self.stored_since = note.then(Vec::new);
                let _ = reply.send(());
            }
            Request::TakeOver(plan, reply) => self.to_take_over = Some((plan, reply)),
            Request::Answer(answer, reply) => {
                let answered = self.router.core.answer(&answer, &mut self.batch);
                self.answered.push((reply, answered));
            }
        }
    }
}
