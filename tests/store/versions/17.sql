-- A record as version 17 of the tables left it.
PRAGMA application_id = 1414681927;
PRAGMA user_version = 17;
BEGIN TRANSACTION;
CREATE TABLE alarm (
    site   TEXT NOT NULL,
    kind   TEXT NOT NULL,
    place  TEXT NOT NULL,
    state  TEXT NOT NULL,
    since  INTEGER NOT NULL,
    at     INTEGER NOT NULL,
    text   TEXT NOT NULL,
    numbers TEXT NOT NULL,
    source TEXT NOT NULL,
    tell   TEXT NOT NULL, why TEXT NOT NULL DEFAULT '[]', shelf_until INTEGER, shelf_once INTEGER, how TEXT, severity INTEGER NOT NULL DEFAULT 0, times INTEGER NOT NULL DEFAULT 1, first_at INTEGER, ended_at INTEGER,
    PRIMARY KEY (site, kind, place)
) STRICT;
INSERT INTO "alarm" VALUES('saltbush-gully','dry-bed','kitchen-bed','acknowledged',1776403800000,1776405600000,'Kitchen bed is dry.','{"depletion_mm":8.0}','FAO-56','["grounds"]','[]',NULL,NULL,NULL,0,1,NULL,NULL);
CREATE TABLE alarm_change (
    seq        INTEGER PRIMARY KEY,
    at         INTEGER NOT NULL,
    site       TEXT NOT NULL,
    kind       TEXT NOT NULL,
    place      TEXT NOT NULL,
    to_state   TEXT NOT NULL,
    from_state TEXT NOT NULL,
    since      INTEGER NOT NULL,
    text       TEXT NOT NULL,
    numbers    TEXT NOT NULL,
    source     TEXT NOT NULL,
    tell       TEXT NOT NULL, why TEXT NOT NULL DEFAULT '[]', shelf_until INTEGER, shelf_once INTEGER, how TEXT, severity INTEGER NOT NULL DEFAULT 0, times INTEGER NOT NULL DEFAULT 1, first_at INTEGER, ended_at INTEGER,
    UNIQUE (at, site, kind, place, to_state)
) STRICT;
INSERT INTO "alarm_change" VALUES(1,1776403800000,'saltbush-gully','dry-bed','kitchen-bed','unacknowledged','normal',1776403800000,'Kitchen bed is dry.','{"depletion_mm":8.0}','FAO-56','["grounds"]','[]',NULL,NULL,NULL,0,1,NULL,NULL);
INSERT INTO "alarm_change" VALUES(4,1776405600000,'saltbush-gully','dry-bed','kitchen-bed','acknowledged','unacknowledged',1776403800000,'Kitchen bed is dry.','{"depletion_mm":8.0}','FAO-56','["grounds"]','[]',NULL,NULL,NULL,0,1,NULL,NULL);
CREATE TABLE alarm_change_before (
    replay      INTEGER NOT NULL,
    seq         INTEGER NOT NULL,
    at          INTEGER NOT NULL,
    site        TEXT NOT NULL,
    kind        TEXT NOT NULL,
    place       TEXT NOT NULL,
    to_state    TEXT NOT NULL,
    from_state  TEXT NOT NULL,
    since       INTEGER NOT NULL,
    text        TEXT NOT NULL,
    numbers     TEXT NOT NULL,
    source      TEXT NOT NULL,
    tell        TEXT NOT NULL,
    why         TEXT NOT NULL,
    shelf_until INTEGER,
    shelf_once  INTEGER,
    how         TEXT, severity INTEGER NOT NULL DEFAULT 0, times INTEGER NOT NULL DEFAULT 1, first_at INTEGER, ended_at INTEGER,
    PRIMARY KEY (replay, seq)
) STRICT, WITHOUT ROWID;
INSERT INTO "alarm_change_before" VALUES(1,2,1776403800100,'saltbush-gully','dry-bed','kitchen-bed','normal','unacknowledged',1776403800000,'Kitchen bed is dry.','{"depletion_mm":8.0}','FAO-56','["grounds"]','[]',NULL,NULL,NULL,0,1,NULL,NULL);
CREATE TABLE alarm_note (
    seq   INTEGER PRIMARY KEY AUTOINCREMENT,
    at    INTEGER NOT NULL,
    site  TEXT NOT NULL,
    kind  TEXT NOT NULL,
    place TEXT NOT NULL,
    since INTEGER NOT NULL,
    note  TEXT NOT NULL,
    how   TEXT NOT NULL
) STRICT;
INSERT INTO "alarm_note" VALUES(1,1776403809000,'saltbush-gully','dry-bed','kitchen-bed',1776403800000,'Watered by hand.','command');
CREATE TABLE answer (
    seq   INTEGER PRIMARY KEY AUTOINCREMENT,
    at    INTEGER NOT NULL,
    site  TEXT NOT NULL,
    kind  TEXT NOT NULL,
    place TEXT NOT NULL
, action TEXT NOT NULL DEFAULT 'acknowledge', until INTEGER, how TEXT NOT NULL DEFAULT 'command', note TEXT, since INTEGER) STRICT;
INSERT INTO "answer" VALUES(1,1776403805000,'saltbush-gully','dry-bed','kitchen-bed','acknowledge',NULL,'command',NULL,NULL);
CREATE TABLE block (
    number   INTEGER PRIMARY KEY,
    series   INTEGER NOT NULL,
    start    INTEGER NOT NULL,
    last_at  INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    good     INTEGER NOT NULL,
    format   INTEGER NOT NULL,
    checksum INTEGER NOT NULL,
    packed   BLOB NOT NULL
) STRICT;
INSERT INTO "block" VALUES(1,1,1776403800000,1776406500000,4,3,1,2191853205,X'C0DFEA999D010000609BF8999D0100000057069A9D010000A012149A9D01000000000000010000000200000003000000040200000002020202000208040000000206020202000000000000A896400000000000AC96400000000000B096400000000000B496408FC2F5285C8FC23F8FC2F5285C8FC23F00000000000000008FC2F5285C8FC23F');
CREATE TABLE block_aside (
    number   INTEGER PRIMARY KEY AUTOINCREMENT,
    series   INTEGER NOT NULL,
    start    INTEGER NOT NULL,
    last_at  INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    good     INTEGER NOT NULL,
    format   INTEGER NOT NULL,
    checksum INTEGER NOT NULL,
    packed   BLOB NOT NULL,
    found    TEXT NOT NULL
) STRICT;
INSERT INTO "block_aside" VALUES(1,2,1776300000000,1776300900000,2,2,1,1212833314,X'2770636F','its checksum is another one');
CREATE TABLE counter (
    name  TEXT PRIMARY KEY,
    value INTEGER NOT NULL
) STRICT;
INSERT INTO "counter" VALUES('last_letter',2);
INSERT INTO "counter" VALUES('letters_dropped',5);
CREATE TABLE forward_queue (
    seq    INTEGER PRIMARY KEY,
    at     INTEGER NOT NULL,
    series INTEGER NOT NULL
) STRICT;
INSERT INTO "forward_queue" VALUES(5,1776403800000,1);
INSERT INTO "forward_queue" VALUES(6,1776404700000,2);
CREATE TABLE forward_refused (
    seq        INTEGER PRIMARY KEY AUTOINCREMENT,
    forwarder  TEXT NOT NULL,
    at         INTEGER NOT NULL,
    series     INTEGER NOT NULL,
    refused_at INTEGER NOT NULL,
    why        TEXT NOT NULL,
    UNIQUE (forwarder, at, series)
) STRICT;
INSERT INTO "forward_refused" VALUES(1,'school',1776403800000,1,1776403805000,'422: field type conflict');
CREATE TABLE forwarder (
    name     TEXT PRIMARY KEY,
    position INTEGER NOT NULL
) STRICT;
INSERT INTO "forwarder" VALUES('school',4);
CREATE TABLE import_batch (
    number    INTEGER PRIMARY KEY AUTOINCREMENT,
    at        INTEGER NOT NULL,
    files     TEXT NOT NULL,
    readings  INTEGER NOT NULL,
    undone_at INTEGER, thinned INTEGER NOT NULL DEFAULT 0
) STRICT;
INSERT INTO "import_batch" VALUES(1,1776403800000,'july.csv',1,NULL,0);
CREATE TABLE import_reading (
    import INTEGER NOT NULL,
    at     INTEGER NOT NULL,
    series INTEGER NOT NULL,
    PRIMARY KEY (import, at, series)
) STRICT, WITHOUT ROWID;
INSERT INTO "import_reading" VALUES(1,1776404700000,1);
CREATE TABLE import_step (
    import INTEGER NOT NULL,
    seq    INTEGER NOT NULL,
    PRIMARY KEY (import, seq)
) STRICT, WITHOUT ROWID;
INSERT INTO "import_step" VALUES(1,1);
CREATE TABLE log (
    seq        INTEGER PRIMARY KEY AUTOINCREMENT,
    written_at INTEGER NOT NULL,
    at         INTEGER NOT NULL,
    site       TEXT NOT NULL,
    place      TEXT,
    kind       TEXT NOT NULL,
    detail     TEXT NOT NULL,
    note       TEXT NOT NULL
, strikes INTEGER) STRICT;
INSERT INTO "log" VALUES(1,1776403800000,1776403795000,'saltbush-gully','kitchen-bed','watered','{"litres":20.0}','with the can',NULL);
INSERT INTO "log" VALUES(2,1776403800001,1776403796000,'saltbush-gully',NULL,'rained','{}','',NULL);
CREATE TABLE message (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    key      TEXT NOT NULL UNIQUE,
    made_at  INTEGER NOT NULL,
    site     TEXT NOT NULL,
    who      TEXT NOT NULL,
    channel  TEXT NOT NULL,
    address  TEXT NOT NULL,
    priority TEXT NOT NULL,
    purpose  TEXT NOT NULL,
    about    TEXT,
    body     TEXT NOT NULL,
    state    TEXT NOT NULL,
    tries    INTEGER NOT NULL,
    next_at  INTEGER NOT NULL,
    done_at  INTEGER,
    reason   TEXT NOT NULL
) STRICT;
INSERT INTO "message" VALUES(1,'k1',1776403800000,'saltbush-gully','grounds','email','grounds@school.example','medium','alarm',NULL,'{}','sent',1,1776403800000,1776403801000,'');
CREATE TABLE outbox (
    seq     INTEGER PRIMARY KEY,
    key     TEXT NOT NULL UNIQUE,
    topic   TEXT NOT NULL,
    payload BLOB NOT NULL,
    sent    INTEGER NOT NULL
) STRICT;
INSERT INTO "outbox" VALUES(1,'a','trug/a',X'7B7D',0);
INSERT INTO "outbox" VALUES(2,'b','trug/b',X'',1);
CREATE TABLE quarter (
    series   INTEGER NOT NULL,
    start    INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    good     INTEGER NOT NULL,
    suspect  INTEGER NOT NULL,
    bad      INTEGER NOT NULL,
    sum      REAL NOT NULL,
    min      REAL,
    max      REAL,
    last     REAL,
    last_at  INTEGER,
    PRIMARY KEY (series, start)
) STRICT, WITHOUT ROWID;
INSERT INTO "quarter" VALUES(2,1776403800000,1,1,0,0,0.145,0.145,0.145,0.145,1776403800000);
CREATE TABLE quarter_stale (
    start  INTEGER NOT NULL,
    series INTEGER NOT NULL,
    PRIMARY KEY (start, series)
) STRICT, WITHOUT ROWID;
INSERT INTO "quarter_stale" VALUES(1776404700000,2);
CREATE TABLE reading (
    at        INTEGER NOT NULL,
    series    INTEGER NOT NULL,
    raw       REAL NOT NULL,
    value     REAL,
    flag      INTEGER NOT NULL,
    tests     INTEGER NOT NULL,
    time_from INTEGER NOT NULL,
    late      INTEGER NOT NULL,
    PRIMARY KEY (at, series)
) STRICT, WITHOUT ROWID;
INSERT INTO "reading" VALUES(1776403800000,2,1450.0,0.145,1,0,0,0);
INSERT INTO "reading" VALUES(1776404700000,2,1451.0,0.145,1,1,1,0);
INSERT INTO "reading" VALUES(1776405600000,2,1452.0,NULL,4,2,0,0);
INSERT INTO "reading" VALUES(1776406500000,2,1453.0,0.145,1,3,1,1);
CREATE TABLE reading_before (
    at     INTEGER NOT NULL,
    series INTEGER NOT NULL,
    replay INTEGER NOT NULL,
    raw    REAL NOT NULL,
    value  REAL,
    flag   INTEGER NOT NULL,
    tests  INTEGER NOT NULL,
    PRIMARY KEY (at, series, replay)
) STRICT, WITHOUT ROWID;
INSERT INTO "reading_before" VALUES(1776403800000,1,1,1450.0,0.15,1,0);
CREATE TABLE received (
    last    INTEGER PRIMARY KEY,
    packets BLOB NOT NULL
) STRICT;
INSERT INTO "received" VALUES(9,X'00000000000000090007ABABABABABABABABABABABABABABABAB');
CREATE TABLE snapshot (
    site     TEXT PRIMARY KEY,
    format   INTEGER NOT NULL,
    made_for BLOB NOT NULL,
    kept_at  INTEGER NOT NULL,
    log_to   INTEGER NOT NULL,
    length   INTEGER NOT NULL,
    checksum BLOB NOT NULL,
    packed   BLOB NOT NULL
) STRICT;
INSERT INTO "snapshot" VALUES('saltbush-gully',1,X'AB',1776403800000,3,2,X'CD',X'0102');
CREATE TABLE reject (
    seq     INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL,
    topic   TEXT NOT NULL,
    payload BLOB NOT NULL,
    reason  TEXT NOT NULL
) STRICT;
INSERT INTO "reject" VALUES(1,1776403800000,'saltbush-gully/rain',X'776574','not a number');
INSERT INTO "reject" VALUES(7,1776403800001,'a/b',X'00FF','not text');
CREATE TABLE renamed (
    number   INTEGER PRIMARY KEY AUTOINCREMENT,
    site     TEXT NOT NULL,
    quantity TEXT NOT NULL,
    former   TEXT NOT NULL,
    sensor   TEXT NOT NULL,
    series   INTEGER NOT NULL,
    readings INTEGER
) STRICT;
INSERT INTO "renamed" VALUES(1,'saltbush-gully','soil-moisture','kitchen-a','kitchen-15cm',1,NULL);
CREATE TABLE replay (
    number     INTEGER PRIMARY KEY AUTOINCREMENT,
    written_at INTEGER NOT NULL,
    site       TEXT,
    from_at    INTEGER NOT NULL,
    to_at      INTEGER NOT NULL,
    done_until INTEGER NOT NULL
) STRICT;
INSERT INTO "replay" VALUES(1,1776404799000,'saltbush-gully',1776403799000,1776403801000,1776403800000);
CREATE TABLE series (
    id       INTEGER PRIMARY KEY,
    site     TEXT NOT NULL,
    sensor   TEXT NOT NULL,
    quantity TEXT NOT NULL,
    unit     TEXT NOT NULL,
    place    TEXT NOT NULL,
    topic    TEXT NOT NULL,
    UNIQUE (site, sensor, quantity)
) STRICT;
INSERT INTO "series" VALUES(1,'saltbush-gully','kitchen-15cm','soil-moisture','m3/m3','kitchen-bed','saltbush-gully/kitchen-bed/moisture-15cm');
INSERT INTO "series" VALUES(2,'saltbush-gully','roof-gauge','rain','mm','','saltbush-gully/rain');
CREATE TABLE unplaced (
    topic    TEXT PRIMARY KEY,
    first_at INTEGER NOT NULL,
    last_at  INTEGER NOT NULL,
    messages INTEGER NOT NULL,
    payload  BLOB NOT NULL
) STRICT;
INSERT INTO "unplaced" VALUES('new/1',1776403800000,1776403805000,3,X'3137');
CREATE TABLE waiting (
    site  TEXT NOT NULL,
    who   TEXT NOT NULL,
    kind  TEXT NOT NULL,
    place TEXT NOT NULL,
    wait  TEXT NOT NULL,
    since INTEGER NOT NULL,
    due   INTEGER NOT NULL,
    PRIMARY KEY (site, who, kind, place, wait)
) STRICT;
INSERT INTO "waiting" VALUES('saltbush-gully','grounds','dry-bed','kitchen-bed','tell',1776403800000,1776403860000);
CREATE INDEX message_waiting ON message (channel, next_at) WHERE state = 'waiting';
CREATE INDEX message_done ON message (done_at) WHERE done_at IS NOT NULL;
CREATE INDEX message_made ON message (made_at);
CREATE INDEX alarm_note_at ON alarm_note (at);
CREATE INDEX log_at ON log (site, at);
CREATE UNIQUE INDEX log_strikes ON log (strikes) WHERE strikes IS NOT NULL;
CREATE INDEX alarm_note_of ON alarm_note (site, kind, place, since);
CREATE UNIQUE INDEX block_of ON block (series, start, last_at, readings, good);
CREATE INDEX forward_refused_of ON forward_refused (forwarder, seq);
CREATE TABLE day_summary (
    series    INTEGER NOT NULL,
    start     INTEGER NOT NULL,
    until     INTEGER NOT NULL,
    readings  INTEGER NOT NULL,
    good      INTEGER NOT NULL,
    suspect   INTEGER NOT NULL,
    bad       INTEGER NOT NULL,
    sum       REAL NOT NULL,
    min       REAL,
    max       REAL,
    last      REAL,
    last_at   INTEGER,
    first     REAL,
    first_at  INTEGER,
    passed    INTEGER NOT NULL,
    unchecked INTEGER NOT NULL,
    suspected INTEGER NOT NULL,
    failed    INTEGER NOT NULL,
    missing   INTEGER NOT NULL,
    late      INTEGER NOT NULL,
    seen_from INTEGER NOT NULL,
    seen_to   INTEGER NOT NULL,
    raw_first REAL NOT NULL,
    raw_last  REAL NOT NULL,
    PRIMARY KEY (series, start)
) STRICT, WITHOUT ROWID;

CREATE TABLE thinned (
    site     TEXT PRIMARY KEY,
    until    INTEGER NOT NULL,
    first_at INTEGER NOT NULL,
    last_at  INTEGER NOT NULL
) STRICT;

INSERT INTO "day_summary" VALUES(1,1775831400000,1775917800000,3,2,1,0,0.29,0.144,0.146,0.146,1775840000000,0.144,1775835000000,2,0,1,0,0,0,1775835000000,1775841000000,1440.0,1461.0);
INSERT INTO "thinned" VALUES('saltbush-gully',1775917800000,1775835000000,1775841000000);
COMMIT;
