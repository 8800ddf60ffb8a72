//! What is said when people look or ask: a place's words as the stories go on, the
//! mulch day.

use trug::garden::log::{LogEvent, WaterTest};
use trug::garden::view::SiteView;
use trug::garden::{BagGiven, TankGiven};
use trug::text::locale::LocalText;

use super::beds;
use super::page::Page;
use super::school::play;
use super::story::without_numbers;
use super::tanks;
use crate::support::garden::local;
use crate::support::run::Run;

/// What the page says of the places of a garden, each text once.
#[derive(Default)]
pub(super) struct Shown {
    /// What it is about, and the text.
    texts: Vec<(&'static str, String)>,
}

impl Shown {
    /// Takes what the page shows of a garden as it stands.
    pub(super) fn look(&mut self, run: &Run) {
        let SiteView {
            to_do,
            questions,
            mulch_questions,
            jobs,
            rain_holds,

            alarms,
            beds,
            tanks,
            rain,
            weather,
            proposed_programs,
            ..
        } = run.view();
        // As the page gives them.
        let local = run.garden.local_text();
        for bed in beds {
            self.hear(&local, "a bed", Some(bed.words));
            self.hear(&local, "a bed's last water", bed.last_wetting);
            self.hear(&local, "a bed's outlook", bed.outlook);
            self.hear(&local, "a bed's mulch", bed.mulch);
            for figure in bed.figures {
                self.hear(&local, "a bed's figures", Some(format!("{}: {}", figure.name, figure.value)));
            }
        }
        for tank in tanks {
            self.hear(&local, "a tank", Some(tank.words));
            for figure in tank.figures {
                self.hear(&local, "a tank's figures", Some(format!("{}: {}", figure.name, figure.value)));
            }
        }
        self.hear(&local, "the rain gauge", rain.map(|rain| rain.words));
        for figure in weather {
            self.hear(&local, "the weather", Some(format!("{}: {}", figure.name, figure.value)));
        }
        let of_an_alarm = |text: &String| alarms.iter().any(|alarm| alarm.record.said.text == *text);
        for it in to_do.into_iter().filter(|it| !of_an_alarm(&it.text)) {
            self.hear(&local, "what needs doing", Some(format!("{}: {}", it.place, it.text)));
        }
        for it in questions {
            let beds: Vec<String> = it.beds.into_iter().map(|(_, name)| name).collect();
            self.hear(&local, "what is asked", Some(format!("What watered {}?", beds.join(", "))));
        }
        for it in mulch_questions {
            self.hear(&local, "what is asked", Some(format!("Was the mulch laid on {}?", it.name)));
        }
        for it in jobs {
            let last = it.last_words().map_or_else(String::new, |last| format!(" {last}"));
            self.hear(
                &local,
                "a job that comes round",
                Some(format!("{}: {}{last}", it.job.name, it.words())),
            );
        }
        for words in rain_holds {
            self.hear(&local, "watering that is held", Some(words));
        }
        for it in proposed_programs {
            self.hear(&local, "a program that is proposed", Some(it.words));
        }
    }

    fn hear(&mut self, local: &LocalText, about: &'static str, text: Option<String>) {
        let Some(text) = text.filter(|text| !text.is_empty()) else { return };
        let text = local.text(&text).into_owned();
        let known = self
            .texts
            .iter()
            .any(|(a, heard)| *a == about && without_numbers(heard) == without_numbers(&text));
        if !known {
            self.texts.push((about, text));
        }
    }

    fn write(mut self, page: &mut Page) {
        page.heading(1, "What the page says of a place");
        self.texts.sort_by_key(|(about, _)| *about);
        for (about, text) in &self.texts {
            page.entry(about, text);
        }
    }
}

/// Writes what was seen of places, and what is answered to those who ask.
pub(super) fn write(shown: Shown, page: &mut Page) {
    shown.write(page);
    mulch(page);
    new_fish(page);
}

fn mulch(page: &mut Page) {
    page.heading(1, "May mulch go down today? (trug mulch)");
    let mut ask = |what: &str, act: &dyn Fn(&mut Run)| {
        let mut run = beds::run();
        act(&mut run);
        let day = run.core().mulch_day(None, "kitchen-bed", local("2026-03-10T13:00")).expect("the bed");
        page.entry(&format!("{what}: {}", day.answer.name()), &run.garden.local_text().text(&day.text));
    };
    let moist = |run: &mut Run, value: f64| {
        play(run, &[beds::PROBE], "2026-03-10T10:00", "2026-03-10T13:00", |_, _| value);
    };
    ask("nothing measured yet", &|_| {});
    ask("moist soil", &|run| moist(run, 0.29));
    ask("dry soil", &|run| moist(run, 0.23));
    ask("very dry soil", &|run| moist(run, 0.13));
    ask("very dry soil, a wetting agent was used", &|run| {
        run.log("kitchen-bed", local("2026-03-01T09:00"), LogEvent::WettingAgent);
        moist(run, 0.13);
    });
    ask("moist soil on which a drop of water stays", &|run| {
        moist(run, 0.29);
        run.log("kitchen-bed", local("2026-03-10T12:00"), LogEvent::WaterDrop { seconds: 90.0 });
    });
    ask("moist soil under mulch of last year", &|run| {
        run.log("kitchen-bed", local("2025-03-01T09:00"), LogEvent::MulchLaid { depth_mm: 100.0 });
        moist(run, 0.29);
    });
    ask("moist soil under mulch of last month", &|run| {
        run.log("kitchen-bed", local("2026-02-10T09:00"), LogEvent::MulchLaid { depth_mm: 100.0 });
        moist(run, 0.29);
    });
}

fn new_fish(page: &mut Page) {
    page.heading(1, "May the new fish go in today? (trug acclimatise)");
    let whole = BagGiven {
        temperature_c: Some(20.0),
        ph: Some(7.2),
        hauled_h: Some(2.0),
        fish: Some(6),
        grams_each: Some(10.0),
    };
    let mut ask = |what: &str, bag: BagGiven, act: &dyn Fn(&mut Run)| {
        let mut run = tanks::tank();
        act(&mut run);
        let now = local("2026-03-11T10:00");
        let told =
            run.core().acclimatise(None, "perch-tank", bag, TankGiven::default(), now).expect("the tank");
        page.heading(2, &format!("{what}: {}", told.answer.name()));
        let local = run.garden.local_text();
        page.paragraph(&local.text(&told.text));
        for (minute, words) in &told.steps {
            page.entry(&format!("minute {minute}"), &local.text(words));
        }
        for words in &told.differs {
            page.entry("where sources differ", &local.text(words));
        }
    };
    let well = |run: &mut Run| {
        tanks::water(run, "2026-03-10T00:00", "2026-03-11T10:00", |_| 20.0);
        let test = WaterTest {
            ph: Some(7.2),
            ammonia_mg_l: Some(0.05),
            nitrite_mg_l: Some(0.01),
            ..WaterTest::default()
        };
        tanks::tested(run, "2026-03-10T15:00", test);
    };
    ask("a bag as warm as the tank", whole, &well);
    ask("one degree colder", BagGiven { temperature_c: Some(19.0), ..whole }, &well);
    ask(
        "four degrees colder, pH apart",
        BagGiven { temperature_c: Some(16.0), ph: Some(6.4), ..whole },
        &well,
    );
    ask("ten degrees colder", BagGiven { temperature_c: Some(10.0), ..whole }, &well);
    ask("under way for eleven hours", BagGiven { hauled_h: Some(11.0), ..whole }, &well);
    ask(
        "under way for eleven hours, four degrees colder",
        BagGiven { hauled_h: Some(11.0), temperature_c: Some(16.0), ..whole },
        &well,
    );
    ask("nothing is known of the bag", BagGiven::default(), &well);
    ask("no water test", whole, &|run| tanks::water(run, "2026-03-10T00:00", "2026-03-11T10:00", |_| 20.0));
    ask("a shock yesterday", whole, &|run| {
        well(run);
        let drop = |hours: f64| 24.0 - 4.0 * ((hours - 10.0) / 0.5).clamp(0.0, 1.0);
        let mut shocked = tanks::tank();
        tanks::water(&mut shocked, "2026-03-10T00:00", "2026-03-11T10:00", drop);
        let test = WaterTest {
            ph: Some(7.2),
            ammonia_mg_l: Some(0.05),
            nitrite_mg_l: Some(0.01),
            ..WaterTest::default()
        };
        tanks::tested(&mut shocked, "2026-03-10T15:00", test);
        *run = shocked;
    });
}
