//! `checkrail listen`: what arrives on every link, for bringing up a node. It supervises nothing and orders nothing.

mod heard;
mod screen;
mod tell;

use std::{io::IsTerminal, sync::Arc, time::Duration};

use links::{Arrivals, Links};
use supervision::input::{Input, LinkReport};
use tokio::{
    signal::unix::{SignalKind, signal},
    time::{Instant, MissedTickBehavior, interval, sleep_until},
};
use wiring::layout::Layout;

use crate::{
    cli::{ListenArgs, TextOrJson},
    clock::Clock,
    exit::{Exit, Failure},
    listen::{heard::Heard, screen::Screen, tell::Teller},
    print,
    run::block_on,
    sensing::longer_than_studied,
    source::{Loaded, Source},
};

/// The table on a terminal is drawn anew this often.
const DRAW_EVERY: Duration = Duration::from_millis(250);
/// Values are told this often where lines are printed.
const TELL_EVERY: Duration = Duration::from_secs(1);
/// A link that is not up by then is told once more, with what to do.
const GRACE: Duration = Duration::from_secs(3);

/// Runs `listen`.
///
/// # Errors
/// [`Failure`] when the layout has errors or the links cannot be started.
pub fn run(args: &ListenArgs) -> Result<Exit, Failure> {
    let source = Source::open(&args.layout)?;
    let loaded = source.require()?;
    if loaded.layout.links.is_empty() {
        let path = args.layout.display();
        return Err(Failure::Argument(format!(
            "{path} names no link to listen to: give it [links.mqtt], [links.serial.NAME] or another"
        )));
    }
    block_on(listen(&loaded, args))
}

async fn listen(loaded: &Loaded, args: &ListenArgs) -> Result<Exit, Failure> {
    let clock = Clock::start();
    let number = u16::try_from(std::process::id() & 0xFFFF).unwrap_or(0);
    let (links, arrivals, notes) =
        links::listen(&loaded.layout.links, loaded.channels.clone(), number)
            .await
            .map_err(|source| Failure::Start { what: "links", source: source.into() })?;
    notes.iter().for_each(|note| print::error_line(note));
    let heard = Heard::new(loaded.channels.clone(), clock.now());
    let view = match (args.format, std::io::stdout().is_terminal()) {
        (TextOrJson::Text, true) => View::Screen(Screen::new(args.all)),
        (TextOrJson::Text, false) => View::Lines(Teller::text()),
        (TextOrJson::Json, _) => View::Lines(Teller::json()),
    };
    let layout = loaded.layout.clone();
    let mut session = Session { clock, layout, links, arrivals, heard, view, all: args.all };
    session.until_the_end(args.seconds).await?;
    session.close().await
}

enum View {
    /// A table that is drawn again and again.
    Screen(Screen),
    /// One line a happening.
    Lines(Teller),
}

struct Session {
    clock: Clock,
    layout: Arc<Layout>,
    links: Links,
    arrivals: Arrivals,
    heard: Heard,
    view: View,
    all: bool,
}

impl Session {
    async fn until_the_end(&mut self, seconds: Option<u64>) -> Result<(), Failure> {
        let signals =
            |source: std::io::Error| Failure::Start { what: "signals", source: source.into() };
        let mut terminate = signal(SignalKind::terminate()).map_err(signals)?;
        let mut interrupt = signal(SignalKind::interrupt()).map_err(signals)?;
        // Without an end of its own it goes on for longer than anybody waits.
        let end = Instant::now() + Duration::from_secs(seconds.unwrap_or(u64::from(u32::MAX)));
        let every = match self.view {
            View::Screen(_) => DRAW_EVERY,
            View::Lines(_) => TELL_EVERY,
        };
        let mut look = interval(every);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut grace = Some(Instant::now() + GRACE);
        loop {
            tokio::select! {
                biased;
                _ = terminate.recv() => return Ok(()),
                _ = interrupt.recv() => return Ok(()),
                () = sleep_until(end) => return Ok(()),
                _ = look.tick() => {
                    self.look()?;
                    if grace.is_some_and(|it| it <= Instant::now()) {
                        grace = None;
                        self.advise();
                    }
                }
                arrived = self.arrivals.recv() => {
                    let Some(arrived) = arrived else { return Ok(()) };
                    let at = self.clock.at(arrived.at);
                    if let Input::Link(LinkReport::Born { channels, .. }) = &arrived.input {
                        let told = longer_than_studied(&self.layout, &self.heard.table, channels);
                        told.iter().for_each(|it| print::error_line(it));
                    }
                    let happened = self.heard.take(&arrived.input, at);
                    if let (View::Lines(teller), Some(happened)) = (&mut self.view, happened) {
                        teller.happened(&self.heard, &happened, at)?;
                    }
                }
            }
        }
    }

    fn look(&mut self) -> Result<(), Failure> {
        let (now, links) = (self.clock.now(), self.links.status());
        match &mut self.view {
            View::Screen(screen) => screen.draw(&self.heard, &links, now),
            View::Lines(teller) => teller.periodic(&self.heard, &links, now),
        }
    }

    /// What to do about links that do not come up.
    fn advise(&self) {
        for link in self.links.status().iter().filter(|it| !it.up) {
            print::error_line(&tell::advice(link));
        }
    }

    /// The sum of it all, and whether everything was well.
    async fn close(self) -> Result<Exit, Failure> {
        let (now, links) = (self.clock.now(), self.links.status());
        let summary = self.heard.summary(&links, now, self.all);
        match self.view {
            View::Screen(screen) => screen.close(&summary)?,
            View::Lines(mut teller) => teller.close(&summary, now)?,
        }
        let well = summary.is_well();
        self.links.part().await;
        Ok(if well { Exit::Done } else { Exit::ErrorsFound })
    }
}
