//! `[[job]]` and `[handover]`: what comes round is read, and every fault is told at its line.

use trug::garden::jobs::job::{Job, JobDays};
use trug::garden::plan::Garden;
use trug::settings::{Fault, from_text};

use crate::support::garden::{BED_KEYS, GardenFile, WATERING};

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"trug.db\"\n";
const WEEKLY: &str = "[[job]]\nname = \"Water test\"\nplace = \"tank\"\nevery_days = 7\nwho = \"teacher\"\n";

fn base() -> GardenFile {
    GardenFile::new("school")
        .with(WATERING)
        .bed("bed", "Bed", BED_KEYS)
        .tank("tank", "Perch tank", "")
        .probe("probe", "bed", 15)
        .sensor("water", "water-temperature", "tank = \"tank\"")
        .with("[[tell]]\nwho = \"teacher\"\nalarms = [\"ph\"]\nemail = [\"teacher@school.example\"]\n")
}

fn read(more: &str) -> Result<Garden, Vec<Fault>> {
    let text = base().with(more).text().to_owned();
    from_text(("trug.toml", TRUG), &[("garden.toml", &text)], std::iter::empty())
        .map(|mut settings| settings.gardens.remove(0))
        .map_err(|faults| faults.as_slice().to_vec())
}

fn jobs(more: &str) -> Vec<Job> {
    read(more).unwrap_or_else(|faults| panic!("{faults:?}")).jobs.clone()
}

#[test]
fn what_comes_round_is_read() {
    let [job] = <[Job; 1]>::try_from(jobs(WEEKLY)).expect("one");
    assert_eq!((job.id.as_str(), job.name.as_str()), ("job-water-test", "Water test"));
    assert_eq!((job.days, job.who), (JobDays::Every(7), vec!["teacher".to_owned()]));
    assert_eq!(job.done_by, ["water-test"], "by its name");
    assert!(!job.tell);

    let more = "[[job]]\nname = \"Feed the fish\"\nplace = \"tank\"\ndays = [\"mon\", \"fri\"]\n\
                who = [\"class 4\", \"class 5\"]\nfrom = 2026-04-13\nto = 2026-12-18\ndone_by = [\"fed\"]\n\
                how = \"One pinch each.\"\n\
                [[job]]\nname = \"Clean the probe\"\nid = \"clean\"\nplace = \"probe\"\nevery_days = 90\n\
                months = [\"oct\", \"nov\", \"mar\"]\ndone_by = [\"sensor-cleaned\", \"probe\"]\n\
                [[job]]\nname = \"Handover\"\ndates = [2026-09-25, 2026-07-03]\nwho = \"teacher\"\ntell = true\n\
                late_after_days = 2\n\
                [handover]\ncall = [\"Office, 08 5550 0100\"]\ndo_not = [\"Open the shed\"]\nnotes = [\"Key: office\"]\n";
    let garden = read(more).unwrap_or_else(|faults| panic!("{faults:?}"));
    let [feed, clean, handover] = &garden.jobs[..] else { panic!("three") };
    assert_eq!(feed.days, JobDays::Week([true, false, false, false, true, false, false]));
    assert_eq!((feed.who.len(), feed.how.as_deref()), (2, Some("One pinch each.")));
    assert_eq!((clean.id.as_str(), &clean.done_by[..]), ("clean", &["sensor-cleaned", "probe"][..]));
    let season: Vec<usize> = (1..=12).filter(|month| clean.months[month - 1]).collect();
    assert_eq!(season, [3, 10, 11]);
    let dates = ["2026-07-03", "2026-09-25"].map(|date| date.parse().expect("a date"));
    assert_eq!((&handover.days, handover.place.as_ref()), (&JobDays::Dates(dates.to_vec()), None));
    assert_eq!(handover.late_after_days, 2);
    let ids: Vec<&str> = garden.tell[0].jobs.iter().map(|id| id.as_str()).collect();
    assert_eq!(ids, ["job-handover"], "only the one that is told");
    assert_eq!(garden.handover.call, ["Office, 08 5550 0100"]);
}

#[test]
fn every_fault_of_a_job_is_told_at_its_line() {
    let first = base().text().lines().count() + 1;
    // What is replaced by what; the line below [[job]], the key and words of the fault.
    for (from, to, line, key, words) in [
        ("place = \"tank\"", "place = \"tanc\"", 2, "place", "nearest:  tank"),
        ("every_days = 7\n", "", 0, "every_days", "or days = [\"mon\", \"fri\"]"),
        ("every_days = 7", "every_days = 0", 3, "every_days", "from 1 to 731"),
        ("every_days = 7", "every_days = 7\ndays = [\"mon\"]", 3, "every_days", "7 beside days or dates"),
        ("every_days = 7", "days = [\"monday\"]", 3, "days[#1]", "nearest:  mon"),
        ("every_days = 7", "dates = [\"2026-07-03\"]", 3, "dates[#1]", "a date without quotes"),
        ("every_days = 7", "dates = []", 3, "dates", "at least one date"),
        ("every_days = 7", "every_days = 7\nmonths = [\"october\"]", 4, "months[#1]", "sep, oct, nov or dec"),
        ("every_days = 7", "every_days = 7\ndone_by = [\"watered\"]", 4, "done_by[#1]", "water-test"),
        (
            "every_days = 7",
            "every_days = 7\ndone_by = [\"water-tets\"]",
            4,
            "done_by[#1]",
            "nearest:  water-test",
        ),
        (
            "place = \"tank\"\nevery_days = 7",
            "every_days = 7\ndone_by = [\"water-test\"]",
            3,
            "done_by[#1]",
            "a job with a place",
        ),
        ("who = \"teacher\"", "who = \"techer\"\ntell = true", 4, "who", "nearest:  teacher"),
        ("who = \"teacher\"", "tell = true", 4, "tell", "tell = true without who"),
        ("who = \"teacher\"", "who = [\"a\", \"b\"]", 0, "from", "from which the turns count"),
        ("every_days = 7", "every_days = 7\nfrom = 2026-04-02\nto = 2026-04-01", 5, "to", "not before from"),
        ("every_days = 7", "every_days = 7\nlate_after_days = 400", 4, "late_after_days", "from 0 to 365"),
        ("every_days = 7", "every_days = 7\nhow = \"\"", 4, "how", "a line of 1 to 300"),
        ("every_days = 7", "every_days = 7\nwhen = 1", 4, "when", "not known here"),
    ] {
        assert_eq!(WEEKLY.matches(from).count(), 1, "{from:?}");
        let faults = read(&WEEKLY.replace(from, to)).expect_err(to);
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        let found: Vec<_> = faults.iter().map(|fault| (fault.line, fault.key.as_str())).collect();
        assert_eq!(found, [(Some(first + line), format!("job[Water test].{key}").as_str())], "{told:?}");
        assert!(told[0].contains(words), "{}", told[0]);
    }
    let twice =
        read(&format!("{WEEKLY}{}", WEEKLY.replace("Water test", "water TEST"))).expect_err("one name");
    assert!(twice[0].to_string().contains("a name of its own for each job"), "{}", twice[0]);
    let alike = read(&format!("{WEEKLY}{}", WEEKLY.replace("Water test", "Water-test"))).expect_err("one id");
    assert!(alike[0].to_string().contains("say id ="), "{}", alike[0]);
    let no_letters = read(&WEEKLY.replace("Water test", "水")).expect_err("no id");
    assert_eq!(no_letters[0].key, "job[水].id");
    let lines = read("[handover]\ncall = [\"\"]\n").expect_err("empty");
    assert_eq!((lines[0].line, lines[0].key.as_str()), (Some(first + 1), "handover.call[#1]"));
}
