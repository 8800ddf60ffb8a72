//! What each key is for, and what holds without it.
//!
//! A default that is written as the file has it is tried by a test: the key with it and the file
//! without the key must mean the same. What has no such form stands in words.

use super::KeyFile::{self, Daemon, Garden};

/// A key: its name, what holds without it, and what it is for.
pub(super) type KeyNote = (&'static str, &'static str, &'static str);

/// A table of a file.
pub(super) struct TableNote {
    pub(super) file: KeyFile,
    /// Dotted, without ids.
    pub(super) path: &'static str,
    /// Whether there may be several: `[[bed]]`.
    pub(super) list: bool,
    pub(super) meaning: &'static str,
    pub(super) keys: &'static [KeyNote],
}

impl TableNote {
    /// As the file has it; a table that is written in one line, as its key of the one above.
    pub(super) fn heading(&self) -> String {
        let inline = TABLES
            .iter()
            .filter(|other| other.file == self.file && other.list && other.path != "watering.rule")
            .find_map(|other| Some((other, self.path.strip_prefix(other.path)?.strip_prefix('.')?)));
        match inline {
            Some((above, key)) => format!("{key} of [[{}]]", above.path),
            None if self.list => format!("[[{}]]", self.path),
            None => format!("[{}]", self.path),
        }
    }
}

const fn one(
    file: KeyFile,
    path: &'static str,
    meaning: &'static str,
    keys: &'static [KeyNote],
) -> TableNote {
    TableNote { file, path, list: false, meaning, keys }
}

const fn several(
    file: KeyFile,
    path: &'static str,
    meaning: &'static str,
    keys: &'static [KeyNote],
) -> TableNote {
    TableNote { file, path, list: true, meaning, keys }
}

const PLAN: &[KeyNote] = &[
    ("x", "needed", "Metres from the left of the drawing."),
    ("y", "needed", "Metres from the top of the drawing."),
    ("w", "needed", "How wide it is, metres."),
    ("h", "needed", "How deep it is on the drawing, metres."),
];

/// Every table, in the order in which people write them.
pub(super) const TABLES: &[TableNote] = &[
    one(
        Daemon,
        "broker",
        "The MQTT broker that the readings come from.",
        &[
            ("url", "needed", "Where the broker is."),
            (
                "client_id",
                "\"trug\"",
                "The name under which Trug is known there; each program needs its own.",
            ),
            ("username", "none", "The user at the broker."),
            ("password_file", "none", "The file that holds only the user's password, relative to trug.toml."),
            ("password", "none", "The same by the environment alone: TRUG__BROKER__PASSWORD."),
            (
                "ca_file",
                "the system's certificates",
                "Whom to trust with mqtts://, if the certificate is your own.",
            ),
            (
                "certificate_file",
                "none",
                "What Trug shows to a broker that asks for a certificate; with mqtts://.",
            ),
            ("key_file", "none", "The key of that certificate, in a file of its own."),
            ("topics", "[\"#\"]", "What to listen to."),
            ("sensor_burst", "200000", "Messages of one sensor that are taken at once."),
            ("sensor_per_s", "20", "Messages of one sensor that are taken each second after that."),
            ("receive_maximum", "2000", "Messages that may be on their way before the first is stored."),
            ("sensor_burst", "200000", "Messages of one sensor that are stored at once."),
            ("sensor_per_s", "20", "Messages of one sensor in a second that are stored for long."),
            ("max_packet_bytes", "65536", "The broker leaves out longer messages."),
            ("keep_alive_s", "30", "The connection is tested this often."),
            ("session_expiry_s", "604800", "How long the broker keeps messages while Trug is not running."),
        ],
    ),
    one(
        Daemon,
        "store",
        "The record of all readings and alarms.",
        &[
            ("path", "needed", "The database file, relative to the folder in which Trug is started."),
            ("keep_rejects", "10000", "Refused messages that are kept; the oldest go first."),
            (
                "keep_readings_days",
                "none: for ever",
                "Days that single readings are kept, 90 or more; of before, each day's figures stay for ever.",
            ),
        ],
    ),
    one(
        Daemon,
        "page",
        "The web page; without the section there is none.",
        &[
            ("listen", "needed", "Address and port of the page."),
            (
                "password_file",
                "none",
                "The file with the line that \"trug password\" prints. Without it nothing is changed on the page.",
            ),
            ("password", "none", "That line by the environment alone: TRUG__PAGE__PASSWORD."),
            ("public_names", "[]", "Names by which others reach the page; any, where none is listed."),
            (
                "open_to_network",
                "false",
                "Whether everybody on the network reads the page without a password.",
            ),
            (
                "open_here",
                "true; false where public_names are listed",
                "Whether this computer reads it without a password.",
            ),
            ("trusted_proxies", "[]", "Proxies on other computers; wrong passwords count for whom they ask."),
            ("cors_origins", "[]", "Whose pages may read /api/v1 in a browser."),
        ],
    ),
    several(
        Daemon,
        "page.user",
        "Somebody who signs in with a name and a password of their own, and sees some gardens only.",
        &[
            ("name", "needed", "The name to sign in with; capital and small letters are the same."),
            ("password_file", "needed", "The file with the line that \"trug password\" prints."),
            ("password", "none", "That line by the environment alone: TRUG__PAGE__USER__NAME__PASSWORD."),
            ("gardens", "all", "The ids of the gardens that this one sees."),
            ("may_change", "true", "Whether this one may add to the Garden log and answer alarms."),
        ],
    ),
    one(
        Daemon,
        "gardens",
        "Where the garden files are.",
        &[("folder", "\"gardens\"", "The folder, relative to trug.toml. Each NAME.toml in it is a garden.")],
    ),
    one(
        Daemon,
        "answers",
        "How alarms may be answered beside the page and the command line.",
        &[
            ("mqtt", "false", "Whether answers may come by trug/SITE/answer."),
            (
                "page_url",
                "none",
                "Where people reach the page, for links in messages; without it there are no links.",
            ),
            (
                "link_secret_file",
                "needed with page_url",
                "The file with the secret that signs the links: 32 bytes or more.",
            ),
            ("link_secret", "none", "That secret by the environment alone: TRUG__ANSWERS__LINK_SECRET."),
            ("link_hours", "72", "How many hours a link works."),
        ],
    ),
    one(
        Daemon,
        "log",
        "What the program writes about its own work.",
        &[
            ("level", "\"info\"", "How much it writes."),
            ("format", "\"text\"", "For people or for programs."),
        ],
    ),
    one(
        Daemon,
        "watch",
        "What the daemon watches about itself, and from where on it tells.",
        &[
            ("every_s", "60", "The time between two looks."),
            ("disk_free_mb", "5 % of the disk, from 500 to 10000", "Megabytes that must be free."),
            ("record_mb", "none", "Megabytes that the record may take; a larger one raises an alarm."),
            ("forward_rows", "100000", "Readings that may wait for a server."),
            ("forward_age_min", "60", "How old the oldest of them may be."),
            ("clock_jump_s", "60", "A step of the computer's clock up to this counts as setting it right."),
            ("broker_silent_min", "60", "Minutes without a message from a broker that is connected."),
        ],
    ),
    one(
        Daemon,
        "mail",
        "The server that takes e-mail; without the section none goes out.",
        &[
            ("host", "needed", "Name or address of the server."),
            ("security", "\"starttls\"", "How the connection is encrypted."),
            ("port", "587, 465 or 25, by security", "The server's port."),
            ("username", "none", "The user at the server."),
            ("password_file", "none", "The file that holds only the user's password."),
            ("password", "none", "The same by the environment alone: TRUG__MAIL__PASSWORD."),
            ("from", "needed", "Who the messages are from; the user must be allowed to send as it."),
            ("ca_file", "the system's certificates", "Whom to trust, if the certificate is your own."),
            ("timeout_s", "30", "How long one message may take."),
        ],
    ),
    several(
        Daemon,
        "forward",
        "A time-series server that gets every stored reading.",
        &[
            ("name", "needed", "How it is called in commands and alarms."),
            ("url", "needed", "Where it takes line protocol."),
            ("username", "none", "The user at the server."),
            ("password_file", "none", "The file that holds only the user's password."),
            ("password", "none", "The same by the environment alone: TRUG__FORWARD__NAME__PASSWORD."),
            ("token_file", "none", "The file that holds only a token, instead of user and password."),
            ("token", "none", "That token by the environment alone: TRUG__FORWARD__NAME__TOKEN."),
            ("batch", "5000", "Readings in one request, at most."),
            ("timeout_s", "10", "How long one request may take."),
            ("gzip", "false", "Whether requests are compressed."),
            ("keep_back_s", "0", "Seconds that are sent again after a break."),
        ],
    ),
    one(
        Daemon,
        "older_readings",
        "The server that a [[forward]] fills: pages read older readings back from it.",
        &[
            ("url", "needed", "Where it answers questions; how the path ends says in which language."),
            ("username", "none", "A user who may read there."),
            ("password_file", "none", "The file that holds only the user's password."),
            ("password", "none", "The same by the environment alone: TRUG__OLDER_READINGS__PASSWORD."),
            ("token_file", "none", "The file that holds only a token, instead of user and password."),
            ("token", "none", "That token by the environment alone: TRUG__OLDER_READINGS__TOKEN."),
        ],
    ),
    one(
        Daemon,
        "telling",
        "How long Trug tries to deliver a message.",
        &[
            ("give_up_min", "1440", "Minutes until another way or group is told."),
            ("give_up_high_min", "30", "The same for what is of high priority."),
        ],
    ),
    several(
        Daemon,
        "webhook",
        "A server that gets each message as JSON; groups name it.",
        &[
            ("name", "needed", "How groups name it."),
            ("url", "needed", "Where messages go."),
            ("secret_file", "needed", "The file with the secret that signs messages: 16 bytes or more."),
            ("secret", "none", "That secret by the environment alone: TRUG__WEBHOOK__NAME__SECRET."),
            ("timeout_s", "10", "How long the server may take to answer."),
        ],
    ),
    several(
        Daemon,
        "told_file",
        "A file that gets each message as one line of JSON; groups name it.",
        &[
            ("name", "needed", "How groups name it."),
            ("path", "needed", "The file, relative to the folder in which Trug is started."),
        ],
    ),
    one(
        Garden,
        "site",
        "The garden: its name and where it is.",
        &[
            ("id", "needed", "Its short name, in topics, addresses and the record. Never change it later."),
            ("name", "needed", "Its name for people."),
            ("time_zone", "needed", "The zone of its clock."),
            (
                "locale",
                "\"en-AU\"",
                "How its people read: en-US has degrees F, gallons and inches beside SI.",
            ),
            ("latitude_deg", "needed", "How far north of the equator, for the sun's path."),
            ("elevation_m", "needed", "How high it lies, for air pressure and oxygen."),
            ("working_hours", "[\"08:00-16:00\"]", "When people are in the garden on weekdays."),
            ("outline", "none", "The corners of the garden on its drawing."),
        ],
    ),
    one(
        Garden,
        "watering",
        "The hours in which watering is allowed. Your water authority's rules come first.",
        &[("allowed", "[\"00:00-09:00\", \"18:00-24:00\"]", "The hours, by the local clock.")],
    ),
    several(
        Garden,
        "watering.rule",
        "Other hours for some methods, days or dates.",
        &[
            ("name", "none", "What the rule is called."),
            ("methods", "every method", "The ways of watering that it is for."),
            ("days", "every day", "The days of the week that it is for."),
            ("dates", "every date", "Even or odd dates alone."),
            ("from", "always", "The first day of the rule."),
            ("to", "for ever", "The last day of the rule."),
            ("allowed", "needed", "The hours; [] where water may not run at all."),
        ],
    ),
    several(
        Garden,
        "bed",
        "A bed: what grows in which soil.",
        &[
            ("id", "needed", "Its short name, in topics and addresses."),
            ("name", "its id", "Its name for people."),
            ("area_m2", "needed", "Its area, for litres."),
            (
                "soil",
                "needed without field_capacity and wilting_point",
                "Its texture, or what it is made of.",
            ),
            ("field_capacity", "the soil's own", "Water that it holds after draining."),
            ("wilting_point", "the soil's own", "Water at which plants wilt for good."),
            (
                "saturation",
                "the soil's own, where known",
                "Water when all pores are full, to tell a waterlogged bed.",
            ),
            ("potting_mix", "false", "Whether it is potting mix, compost or peat, which hold far more."),
            ("crop", "needed without root_depth_m and depletion_fraction", "What grows in it."),
            ("root_depth_m", "the crop's own", "How deep its roots are watered."),
            (
                "depletion_fraction",
                "the crop's own",
                "The part of the water that may be used before it suffers.",
            ),
            ("planted", "none", "The day of planting or sowing, from which growth counts."),
            ("stage_days", "the crop's own", "Days of its four growth stages."),
            ("fallow", "false", "Whether nothing grows in it for now."),
        ],
    ),
    one(
        Garden,
        "bed.soil",
        "What the soil is made of, by a soil test.",
        &[
            ("sand_percent", "needed", "Sand by weight."),
            ("clay_percent", "needed", "Clay by weight."),
            ("organic_percent", "needed", "Organic matter by weight."),
        ],
    ),
    one(
        Garden,
        "bed.irrigation",
        "Its drippers or sprinklers.",
        &[
            ("litres_per_hour", "needed", "What the whole bed gets in an hour."),
            ("efficiency", "needed", "The part of it that reaches the roots."),
        ],
    ),
    one(
        Garden,
        "bed.mulch",
        "The mulch that is planned for it.",
        &[
            ("depth_mm", "the kind's own, where one is named", "How thick it is to lie."),
            ("kind", "not said", "Coarse chips, or fine."),
            ("planned", "none", "The day on which it is to be laid."),
        ],
    ),
    one(
        Garden,
        "bed.watering",
        "How it is watered, and its own hours.",
        &[
            ("method", "none", "The way in which it is watered."),
            ("allowed", "the site's hours", "Its own hours instead of the site's."),
        ],
    ),
    one(Garden, "bed.plan", "Where it lies on the garden's drawing.", PLAN),
    several(
        Garden,
        "tank",
        "A tank with fish.",
        &[
            ("id", "needed", "Its short name, in topics and addresses."),
            ("name", "its id", "Its name for people."),
            ("volume_l", "needed", "The water that it holds."),
            ("species", "needed without limits", "What swims in it."),
            ("fish", "none", "How many fish."),
            ("fish_grams", "none", "What one of them weighs on average, for the feed."),
            ("feed_g_day", "none", "What they are given in a day."),
        ],
    ),
    one(
        Garden,
        "tank.limits",
        "Its own limits instead of the species'. Ask whoever supplied the fish.",
        &[
            ("cold_c", "the species' own", "Below it the water is too cold: an alarm."),
            ("warm_c", "the species' own", "Above it the water is too warm: an alarm."),
            ("thrives_from_c", "the species' own", "The lower end of the safe range."),
            ("thrives_to_c", "the species' own", "The upper end of the safe range."),
            ("change_hour_c", "the species' own", "The largest rise and fall within an hour."),
            ("change_day_c", "the species' own", "The largest rise and fall within a day."),
            ("rise_15min_c", "the species' own", "The largest rise within 15 minutes."),
            ("fall_15min_c", "the species' own", "The largest fall within 15 minutes."),
            ("rise_30min_c", "the species' own", "The largest rise within 30 minutes."),
            ("fall_30min_c", "the species' own", "The largest fall within 30 minutes."),
            ("rise_hour_c", "change_hour_c", "The largest rise within an hour."),
            ("fall_hour_c", "change_hour_c", "The largest fall within an hour."),
            ("rise_6h_c", "the species' own", "The largest rise within 6 hours."),
            ("fall_6h_c", "the species' own", "The largest fall within 6 hours."),
            ("rise_day_c", "change_day_c", "The largest rise within a day."),
            ("fall_day_c", "change_day_c", "The largest fall within a day."),
            ("oxygen_mg_l", "the species' own", "The least oxygen."),
            (
                "oxygen_percent",
                "the species' own, if any",
                "The least oxygen, as a part of what the water can hold.",
            ),
            ("ammonia_mg_l", "the species' own", "The most un-ionised ammonia, as nitrogen."),
            ("total_ammonia_mg_l", "the species' own", "The most ammonia of both forms, as nitrogen."),
            ("nitrite_mg_l", "the species' own", "The most nitrite, as nitrogen."),
            ("ph_low", "the species' own", "The lowest pH."),
            ("ph_high", "the species' own", "The highest pH."),
        ],
    ),
    one(
        Garden,
        "tank.pump",
        "What its pump does at least while it runs.",
        &[
            ("least_w", "1", "Below it the pump has stopped, by its power."),
            ("least_l_h", "1", "Below it the pump has stopped, by the water that it moves."),
            ("least_level_cm", "none", "Below it the water is too low; not judged without it."),
        ],
    ),
    one(Garden, "tank.plan", "Where it stands on the garden's drawing.", PLAN),
    several(
        Garden,
        "gateway",
        "What passes the readings of several sensors on.",
        &[("id", "needed", "Its short name; sensors name it."), ("name", "its id", "Its name for people.")],
    ),
    several(
        Garden,
        "sensor",
        "A sensor: what it measures, where, and how its messages are read.",
        &[
            ("id", "needed", "Its short name in the record."),
            ("formerly", "[]", "Earlier ids, whose history it keeps."),
            ("measures", "needed", "What it measures."),
            ("bed", "the whole site", "The bed that it is in."),
            ("tank", "the whole site", "The tank that it is in."),
            ("depth_cm", "needed in soil", "How deep it is."),
            ("height_m", "2 m", "How high a wind sensor stands."),
            ("topic", "needed", "The topic of its messages."),
            ("payload", "needed", "How its messages are written."),
            ("every_s", "needed", "How often it should send a reading."),
            ("gateway", "none", "What passes its readings on; sensors that share one fall silent with it."),
            (
                "battery_low",
                "needed where the payload reports a battery",
                "Below it the battery is to be changed.",
            ),
            ("battery_empty", "none", "Where the device stops."),
            ("battery_unit", "none", "The unit behind the figure on the page."),
            ("unit", "none", "What a moisture probe sends by itself, instead of a calibration."),
            ("calibration", "the number is the value", "How a raw number becomes a value."),
        ],
    ),
    one(
        Garden,
        "sensor.payload.json",
        "Where the number stands in a JSON text.",
        &[
            ("value", "needed", "Where the raw number is."),
            ("time", "none", "Where the device's own time is."),
            ("battery", "none", "Where the battery's state is."),
        ],
    ),
    one(
        Garden,
        "sensor.payload.senml",
        "Which record of a SenML pack is taken.",
        &[
            ("name", "the only one", "The record with the raw number."),
            ("battery", "none", "The record with the battery's state."),
        ],
    ),
    one(
        Garden,
        "sensor.payload.line-protocol",
        "Which field of line protocol is taken.",
        &[
            ("measurement", "the only one", "The measurement."),
            ("field", "value, else raw, else the only one", "The field with the raw number."),
            ("battery", "none", "The field with the battery's state."),
        ],
    ),
    one(
        Garden,
        "sensor.calibration",
        "One way from raw number to value. A list holds several, each from its day on.",
        &[
            ("points", "one of these is needed", "Raw numbers with their values; straight lines between."),
            ("polynomial", "one of these is needed", "Coefficients of a curve."),
            ("mm_per_tip", "one of these is needed", "Rain for one tip of a gauge's bucket."),
            ("topp", "one of these is needed", "Soil moisture from permittivity, by Topp's equation: true."),
            (
                "granular_matrix",
                "one of these is needed",
                "Soil moisture from the resistance of a granular matrix sensor.",
            ),
            ("thermistor", "one of these is needed", "Temperature from a thermistor's resistance."),
            (
                "steinhart_hart",
                "one of these is needed",
                "Temperature from resistance by three coefficients.",
            ),
            (
                "platinum_r0_ohm",
                "one of these is needed",
                "Temperature from a platinum thermometer: its resistance at 0 °C.",
            ),
            (
                "one_wire",
                "one of these is needed",
                "Temperature from the register of a 1-wire thermometer: true.",
            ),
            ("identity", "one of these is needed", "The raw number is the value: true."),
            ("counts", "\"tips\"", "Tips since the last message, or a count that goes on."),
            ("wraps_at", "never", "The number at which such a count begins again."),
            ("valid", "everywhere", "The raw numbers for which it holds."),
            ("from", "always", "The day or moment from which it holds."),
        ],
    ),
    one(
        Garden,
        "sensor.calibration.granular_matrix",
        "The soil that a granular matrix sensor is in.",
        &[
            ("soil_temp_c", "24", "The soil's temperature."),
            ("field_capacity", "the bed's", "Water that the soil holds after draining."),
            ("wilting_point", "the bed's", "Water at which plants wilt."),
            ("saturation", "the bed's", "Water when all pores are full."),
            ("series_ohm", "none: the number is in ohm", "The other resistor of a divider."),
            ("full_scale", "needed with series_ohm", "The raw number of the whole voltage."),
            ("sensor_to", "\"ground\"", "Which end of the divider the sensor is at."),
        ],
    ),
    one(
        Garden,
        "sensor.calibration.thermistor",
        "A thermistor's own numbers.",
        &[
            ("r25_ohm", "needed without steinhart_hart", "Its resistance at 25 °C."),
            ("beta_k", "needed without steinhart_hart", "Its beta."),
            ("steinhart_hart", "none", "Three coefficients instead of the two."),
            ("series_ohm", "none: the number is in ohm", "The other resistor of a divider."),
            ("full_scale", "needed with series_ohm", "The raw number of the whole voltage."),
            ("sensor_to", "\"ground\"", "Which end of the divider the sensor is at."),
        ],
    ),
    one(
        Garden,
        "sensor.quality",
        "Its own limits for the tests of quality, instead of what it measures has.",
        &[
            ("gross_fail", "the quantity's own", "Outside of it a value cannot be."),
            (
                "gross_suspect",
                "the quantity's own",
                "Outside of it a value is doubtful; false: no such test.",
            ),
            ("gap_s", "the quantity's own", "A longer time without readings is a gap."),
        ],
    ),
    one(
        Garden,
        "sensor.quality.spike",
        "The test for a single value that stands out; false: no such test.",
        &[
            ("suspect", "the quantity's own", "From here on it is doubtful."),
            ("fail", "the quantity's own", "From here on it is bad."),
            ("method", "the quantity's own", "How a spike is measured."),
        ],
    ),
    one(
        Garden,
        "sensor.quality.rate",
        "The test for values that change too fast; false: no such test.",
        &[
            ("suspect_per_s", "the quantity's own", "From here on a change is doubtful."),
            ("fail_per_s", "the quantity's own, if any", "From here on a change is bad."),
            ("over_s", "the quantity's own", "The time over which a change is measured."),
        ],
    ),
    one(
        Garden,
        "sensor.quality.flat",
        "The test for a number that does not change; false: no such test.",
        &[
            ("tolerance", "the quantity's own", "Smaller changes count as none."),
            ("suspect_s", "the quantity's own", "After this time it is doubtful."),
            ("fail_s", "the quantity's own", "After this time it is bad."),
        ],
    ),
    one(Garden, "sensor.plan", "Where a rain gauge stands on the garden's drawing.", PLAN),
    several(
        Garden,
        "program",
        "What a watering timer does.",
        &[
            ("name", "needed", "What it is called."),
            ("beds", "needed", "The beds that it waters."),
            ("days", "needed without every_days", "The days of the week."),
            ("every_days", "needed without days", "Every so many days, counted from the first one."),
            ("from", "needed with every_days", "The first day."),
            ("to", "for ever", "The last day."),
            ("starts", "needed", "When each run begins."),
            ("minutes", "needed", "How long each run takes."),
            ("method", "the bed's own", "How it waters."),
            ("off_in_holidays", "false", "Whether it rests in each [[holiday]]."),
        ],
    ),
    several(
        Garden,
        "landmark",
        "What is drawn and not watched.",
        &[("name", "needed", "What it is called."), ("kind", "needed", "What it is.")],
    ),
    one(Garden, "landmark.plan", "Where it stands on the garden's drawing.", PLAN),
    several(
        Garden,
        "job",
        "A job that comes round.",
        &[
            ("name", "needed", "What is to be done."),
            ("id", "made of its name", "Its short name."),
            ("place", "the whole garden", "The bed, tank or sensor that it is for."),
            ("every_days", "one of the three is needed", "Days after it was last done."),
            ("days", "one of the three is needed", "The days of the week."),
            ("dates", "one of the three is needed", "The dates themselves."),
            ("who", "nobody", "Who does it, or who take turns."),
            ("from", "always", "The first day."),
            ("to", "for ever", "The last day."),
            ("months", "every month", "Its season."),
            ("done_by", "what bears its name", "The entries of the Garden log by which it is done."),
            ("how", "none", "How it is done, a line."),
            ("tell", "false", "Whether the group in who is told when it is overdue."),
            ("late_after_days", "0", "Days after the due one before it is overdue."),
        ],
    ),
    several(
        Garden,
        "holiday",
        "Days on which some alarms keep quiet.",
        &[
            ("from", "needed", "The first day."),
            ("to", "needed", "The last day."),
            ("quiet", "needed", "The kinds of alarms."),
        ],
    ),
    one(
        Garden,
        "handover",
        "What stands on the holiday sheet.",
        &[
            ("call", "none", "Whom to call, with a number each."),
            ("do_not", "none", "What not to do."),
            ("notes", "none", "Keys, taps, where the feed is."),
        ],
    ),
    one(
        Garden,
        "roof",
        "A roof whose rain goes into a tank.",
        &[
            ("area_m2", "needed", "Its area."),
            ("runoff", "0.8", "The part of the rain that reaches the tank."),
            ("tank_l", "none", "What the tank holds."),
        ],
    ),
    several(
        Garden,
        "tell",
        "A group of people, and what they are told.",
        &[
            ("who", "needed", "What the group is called."),
            ("alarms", "needed without places", "The kinds of alarms that concern it."),
            ("places", "every place", "The places that concern it."),
            ("email", "none", "Its addresses."),
            ("webhook", "none", "Servers of trug.toml that get its messages."),
            ("file", "none", "Files of trug.toml that get its messages."),
            ("quiet", "none", "Hours in which only high priority is told."),
            ("summary", "none", "When the rest is told in one message."),
        ],
    ),
    one(
        Garden,
        "tell.instead",
        "Where a message goes that the addresses would not take.",
        &[
            ("email", "none", "Addresses."),
            ("webhook", "none", "Servers of trug.toml."),
            ("file", "none", "Files of trug.toml."),
        ],
    ),
    one(
        Garden,
        "tell.next",
        "Who is told when nobody answers.",
        &[
            ("who", "needed", "Another group of this file."),
            ("after_min", "needed", "Minutes without an answer."),
        ],
    ),
    one(
        Garden,
        "tell.unanswered",
        "How often high priority is told again until somebody answers.",
        &[
            ("again_min", "60", "Minutes until the first time; the distance doubles."),
            ("most_min", "1440", "The longest distance."),
        ],
    ),
    one(
        Garden,
        "alarms.KIND",
        "How one kind of alarm behaves; KIND is its name, such as dry-bed.",
        &[
            ("deadband", "the kind's own", "How far back inside its limit it must come before it ends."),
            ("on_delay_s", "the kind's own", "How long it must last before anybody is told."),
            ("off_delay_s", "the kind's own", "How long it must be over before it ends."),
            ("priority", "the kind's own", "How soon somebody must act."),
            ("latching", "the kind's own", "Whether it stays until somebody has looked."),
            (
                "again_h",
                "the kind's own",
                "Hours until one that is answered and still happening is told again.",
            ),
            ("count_h", "the kind's own", "One that comes back within so many hours is the same."),
            ("worse_by", "the kind's own", "How much further beyond its limit it is told again at once."),
        ],
    ),
];
