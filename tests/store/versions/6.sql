-- A record as version 6 of the tables left it.
PRAGMA application_id = 1414681927;
PRAGMA user_version = 6;
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
    tell   TEXT NOT NULL, why TEXT NOT NULL DEFAULT '[]', shelf_until INTEGER, shelf_once INTEGER, how TEXT,
    PRIMARY KEY (site, kind, place)
) STRICT;
INSERT INTO "alarm" VALUES('saltbush-gully','dry-bed','kitchen-bed','acknowledged',1776403800000,1776405600000,'Kitchen bed is dry.','{"depletion_mm":8.0}','FAO-56','["grounds"]','[]',NULL,NULL,NULL);
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
    tell       TEXT NOT NULL, why TEXT NOT NULL DEFAULT '[]', shelf_until INTEGER, shelf_once INTEGER, how TEXT,
    UNIQUE (at, site, kind, place, to_state)
) STRICT;
INSERT INTO "alarm_change" VALUES(1,1776403800000,'saltbush-gully','dry-bed','kitchen-bed','unacknowledged','normal',1776403800000,'Kitchen bed is dry.','{"depletion_mm":8.0}','FAO-56','["grounds"]','[]',NULL,NULL,NULL);
INSERT INTO "alarm_change" VALUES(4,1776405600000,'saltbush-gully','dry-bed','kitchen-bed','acknowledged','unacknowledged',1776403800000,'Kitchen bed is dry.','{"depletion_mm":8.0}','FAO-56','["grounds"]','[]',NULL,NULL,NULL);
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
CREATE TABLE forwarder (
    name     TEXT PRIMARY KEY,
    position INTEGER NOT NULL
) STRICT;
INSERT INTO "forwarder" VALUES('school',4);
CREATE TABLE log (
    seq        INTEGER PRIMARY KEY AUTOINCREMENT,
    written_at INTEGER NOT NULL,
    at         INTEGER NOT NULL,
    site       TEXT NOT NULL,
    place      TEXT,
    kind       TEXT NOT NULL,
    detail     TEXT NOT NULL,
    note       TEXT NOT NULL
) STRICT;
INSERT INTO "log" VALUES(1,1776403800000,1776403795000,'saltbush-gully','kitchen-bed','watered','{"litres":20.0}','with the can');
INSERT INTO "log" VALUES(2,1776403800001,1776403796000,'saltbush-gully',NULL,'rained','{}','');
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
INSERT INTO "quarter" VALUES(1,1776403800000,1,1,0,0,0.145,0.145,0.145,0.145,1776403800000);
CREATE TABLE quarter_stale (
    start  INTEGER NOT NULL,
    series INTEGER NOT NULL,
    PRIMARY KEY (start, series)
) STRICT, WITHOUT ROWID;
INSERT INTO "quarter_stale" VALUES(1776404700000,1);
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
INSERT INTO "reading" VALUES(1776403800000,1,1450.0,0.145,1,0,0,0);
INSERT INTO "reading" VALUES(1776403800000,2,1450.0,0.145,1,0,0,0);
INSERT INTO "reading" VALUES(1776404700000,1,1451.0,0.145,1,1,1,0);
INSERT INTO "reading" VALUES(1776404700000,2,1451.0,0.145,1,1,1,0);
INSERT INTO "reading" VALUES(1776405600000,1,1452.0,NULL,4,2,0,0);
INSERT INTO "reading" VALUES(1776405600000,2,1452.0,NULL,4,2,0,0);
INSERT INTO "reading" VALUES(1776406500000,1,1453.0,0.145,1,3,1,1);
INSERT INTO "reading" VALUES(1776406500000,2,1453.0,0.145,1,3,1,1);
CREATE TABLE reject (
    seq     INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL,
    topic   TEXT NOT NULL,
    payload BLOB NOT NULL,
    reason  TEXT NOT NULL
) STRICT;
INSERT INTO "reject" VALUES(1,1776403800000,'saltbush-gully/rain',X'776574','not a number');
INSERT INTO "reject" VALUES(7,1776403800001,'a/b',X'00FF','not text');
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
COMMIT;
