//! The keys of `trug.toml`.

use super::{TableNote, one, several};

/// Its tables.
pub(super) const TABLES: &[TableNote] = &[
    one(
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
            ("max_packet_bytes", "65536", "The broker leaves out longer messages."),
            ("keep_alive_s", "30", "The connection is tested this often."),
            ("session_expiry_s", "604800", "How long the broker keeps messages while Trug is not running."),
        ],
    ),
    one(
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
        "gardens",
        "Where the garden files are.",
        &[("folder", "\"gardens\"", "The folder, relative to trug.toml. Each NAME.toml in it is a garden.")],
    ),
    one(
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
        "log",
        "What the program writes about its own work.",
        &[
            ("level", "\"info\"", "How much it writes."),
            ("format", "\"text\"", "For people or for programs."),
        ],
    ),
    one(
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
        "telling",
        "How long Trug tries to deliver a message.",
        &[
            ("give_up_min", "1440", "Minutes until another way or group is told."),
            ("give_up_high_min", "30", "The same for what is of high priority."),
        ],
    ),
    several(
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
        "told_file",
        "A file that gets each message as one line of JSON; groups name it.",
        &[
            ("name", "needed", "How groups name it."),
            ("path", "needed", "The file, relative to the folder in which Trug is started."),
        ],
    ),
];
