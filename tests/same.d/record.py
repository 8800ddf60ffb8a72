"""Records what a built trug does: `record.py TRUG FOLDER`; tests/same says more."""

import concurrent.futures
import csv
import html.parser
import quopri
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
import urllib.parse
from datetime import timedelta
from pathlib import Path

import world
from world import Trug, moment, readable

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
SITE = "saltbush-gully"
BEDS = ["kitchen-bed", "pea-bed", "herb-bed", "orchard-row"]
PLACES = BEDS + ["perch-tank", "yard-gauge"]
MONTH_ENDS = moment("2026-04-26T14:30:00Z")  # of the demonstration, on the garden's clock midnight
PASSWORD = "wattle & saltbush 1"
SEEDS = [None, 101]

# Changes to a line `key = value` of the settings; most of them are faults.
CHANGES = {
    "left-out": lambda key, value: "",
    "misspelt": lambda key, value: f"{key}x = {value}",
    "negative": lambda key, value: f"{key} = -1",
    "huge": lambda key, value: f"{key} = 1e9",
    "a-word": lambda key, value: f'{key} = "no such thing"',
    "a-list": lambda key, value: f"{key} = [{value}, 0]",
    "twice": lambda key, value: f"{key} = {value}\n{key} = {value}",
}


def settings(folder, trug=lambda text: text, garden=lambda text: text):
    """The shipped settings in a new folder, changed."""
    (folder / "config/gardens").mkdir(parents=True)
    (folder / "config/trug.toml").write_text(trug((ROOT / "config/trug.toml").read_text()))
    (folder / f"config/gardens/{SITE}.toml").write_text(garden((ROOT / f"config/gardens/{SITE}.toml").read_text()))


def lines(name):
    """Commands or addresses, one on each line of a file beside this one."""
    return (HERE / name).read_text().splitlines()


def switched_on(text):
    """Keys that stand there as comments, as keys."""
    return re.sub(r"(?m)^#(?=\[|\w+ = )", "", text)


def help_and_faults(trug):
    """The help of every command, and what is said to wrong arguments."""
    settings(trug.folder)
    below = lambda text: (
        re.findall(r"(?m)^  ([a-z][\w-]+)  ", text.split("Commands:")[1].split("Options:")[0])
        if "Commands:" in text
        else []
    )
    todo = [[]]
    while todo:
        command = todo.pop()
        text = trug.ask(*command, "--help")
        trug.keep(f"help/{'-'.join(command) or 'trug'}.txt", text + trug.ask(*command, "-h"))
        todo += [command + [name] for name in below(text) if name != "help"]
    trug.record("help/wrong-arguments.txt", "", *lines("wrong-arguments.txt"))
    trug.keep("help/password.txt", trug.ask("password", stdin=PASSWORD + "\n") + trug.ask("password", stdin="x\n"))


def settings_faults(trug):
    """`trug check` on the shipped settings with one line changed, for every line and every change."""
    texts = {
        "trug": (ROOT / "config/trug.toml").read_text(),
        "garden": (ROOT / f"config/gardens/{SITE}.toml").read_text(),
    }
    texts |= {f"{name}-all": switched_on(text) for name, text in texts.items()}

    def one(work):
        name, change, number, changed = work
        folder = trug.folder / f"{name}-{change}-{number}"
        other = {"trug": lambda _: changed} if name.startswith("trug") else {"garden": lambda _: changed}
        settings(folder, **other)
        said = trug.ask("check", "--config", folder / "config/trug.toml").replace(str(folder), "FOLDER")
        shutil.rmtree(folder)
        return f"{name}/{change}", f"== line {number}\n{said}"

    work = [(name, "whole", 0, text) for name, text in texts.items()]
    for name, text in texts.items():
        whole = text.splitlines()
        for number, line in enumerate(whole):
            if head := re.match(r"(\[+)([\w.-]+)(\]+)", line):
                changed = whole[:number] + [f"{head[1]}{head[2]}x{head[3]}"] + whole[number + 1 :]
                work.append((name, "section", number + 1, "\n".join(changed)))
            if key := re.match(r"([\w-]+) = ([^#]*?)\s*(#.*)?$", line):
                for change, to in CHANGES.items():
                    changed = whole[:number] + [to(key[1], key[2])] + whole[number + 1 :]
                    work.append((name, change, number + 1, "\n".join(changed)))
    said = {}
    with concurrent.futures.ThreadPoolExecutor(3) as pool:
        for name, text in pool.map(one, work):
            said[name] = said.get(name, "") + text
    for name, text in said.items():
        trug.keep(f"check/{name}.txt", text)


def month(trug):
    """The demonstration's month: its store, and every command on it."""
    # As in the demonstration nobody has an address: what people are told is in `told`.
    settings(trug.folder, garden=lambda text: re.sub(r"(?m)^(email|summary|quiet|next) = .*\n", "", text))
    trug.record("month/demo.txt", "demo --for 3 --speed 0.1 --keep var")
    trug.keep("month/store.txt", world.dump(trug.folder / "var/trug.db"))
    days = "--from 2026-04-07 --to 2026-04-10"
    for form in ("csv", "line-protocol", "xlsx"):
        for step in ("raw", "hour", "day"):
            out = f"export-{step}.{form}"
            trug.record(
                f"month/{out}.said.txt",
                f"export --format {form} --step {step} {days if (form, step) == ('xlsx', 'raw') else ''} --out {out}",
            )
            if (trug.folder / out).exists():  # line protocol is of readings only
                trug.keep(f"month/{out}.txt", readable((trug.folder / out).read_bytes()))
    trug.record(
        "month/export-some.txt",
        f"export --sensor yard-gauge --sensor pea-15cm {days}",
        f"--json export --step day {days}",
    )
    for name, command in {
        "alarms": "alarms",
        "alarm-history": "alarms --from 2026-03-01 --to 2026-05-01",
        "figures": "alarms --figures --from 2026-03-28",
        "messages": "messages --from 2026-03-01",
        "tell": "tell",
        "why-weather": "why",
        "check": "check",
    }.items():
        trug.record(f"month/{name}.txt", command, f"--json {command}")
    asked = (
        [f"why {place}" for place in PLACES]
        + [f"mulch {bed}" for bed in BEDS]
        + [
            "acclimatise perch-tank --bag-temp-c 14 --bag-ph 6.8",
            "acclimatise perch-tank --bag-temp-c 26 --bag-ph 8.1 --tank-ph 7 --hauled-hours 6",
        ]
    )
    for n, at in enumerate(["", "--at 2026-04-16T05:00:00Z", "--at 2026-04-02T05:00:00Z"]):
        for command in asked:
            trug.record(
                f"month/asked-{n}/{'-'.join(command.split()[:2])}.txt", f"{command} {at}", f"--json {command} {at}"
            )
    for name, more in {"whole": "", "beds": "--bed kitchen-bed --bed herb-bed --without-notes"}.items():
        trug.record(
            f"month/report-{name}.said.txt",
            f"report --month 2026-04 --out report-{name} {more}",
            f"--json report --month 2026-04 --out report-{name} --replace {more}",
        )
        for file in sorted((trug.folder / f"report-{name}").rglob("*")):
            if file.is_file():
                trug.keep(f"month/report-{name}/{file.name}.txt", readable(file.read_bytes()))
    trug.record("month/log.txt", *lines("log.txt"))
    trug.record("month/after-log.txt", *[f"why {place}" for place in PLACES], *lines("answers.txt"))
    (trug.folder / "pairs.csv").write_text(
        "raw,value\n2900,0.052\n2640,0.11\n2410,0.171\n2150,0.229\n1890,0.290\n1450,0.401\n"
    )
    (trug.folder / "bent.csv").write_text(
        "raw,value\n" + "".join(f"{1000 + 200 * n},{1e-7 * (200 + 200 * n) ** 2:.6f}\n" for n in range(9))
    )
    trug.record(
        "month/calibrate.txt",
        *[
            f"{json} calibrate {file} {sensor}"
            for file in ("pairs.csv", "bent.csv")
            for json in ("", "--json")
            for sensor in ("", "--sensor kitchen-15cm", "--sensor perch-water-temp")
        ],
    )
    page(trug)
    trug.keep("month/store-at-the-end.txt", world.dump(trug.folder / "var/trug.db"))


class Forms(html.parser.HTMLParser):
    """The forms that a page sends: their addresses, fields and buttons, with a number wherever one is typed."""

    def __init__(self, text):
        super().__init__()
        self.found, self.form, self.select = [], None, None
        self.feed(text)

    def handle_starttag(self, tag, given):
        given = dict(given)
        name, value = given.get("name"), given.get("value")
        if tag == "form":
            self.form = (given.get("action"), {}, [])
            if given.get("method") == "post" and given.get("action") != "/leave":
                self.found.append(self.form)
        elif self.form and tag == "input" and name and given.get("type") not in ("radio", "checkbox"):
            self.form[1][name] = value or ("7" if "inputmode" in given else "")
        elif self.form and tag == "button" and name:
            self.form[2].append((name, value))
        elif self.form and tag == "textarea" and name:
            self.form[1][name] = "by the second row"
        elif self.form and tag == "select":
            self.select = name
        elif (
            self.form
            and tag == "option"
            and self.select
            and value
            and (not self.form[1].get(self.select) or "selected" in given)
        ):
            self.form[1][self.select] = value

    def handle_endtag(self, tag):
        if tag == "form":
            self.form = None


def page(trug):
    """Every page that links lead to, the interface, and what the forms answer, over the month's store."""
    line = trug.ask("password", stdin=PASSWORD + "\n").splitlines()[1]
    (trug.folder / "config/page-password").write_text(line + "\n")
    (trug.folder / "config/page-password").chmod(0o600)
    trug.environment |= {
        "TRUG__PAGE__PASSWORD_FILE": "page-password",
        "TRUG__WATCH__CLOCK_JUMP_S": "86400",
        "TRUG__WATCH__DISK_FREE_MB": "1",
    }
    trug.start("--clock", "readings")
    file = lambda path: re.sub(r"[^\w.=-]+", "_", urllib.parse.unquote(path).strip("/")) or "today"
    site = f"/site/{SITE}"
    todo = lines("addresses.txt")
    seen = set(todo)
    while todo:
        path = todo.pop(0)
        text = trug.visit(path)
        trug.keep(f"page/{file(path)}.txt", text)
        # From a chart of another day everything is a step further, without end.
        for link in [] if "to=" in path else re.findall(r'(?:href|src|action)="(/[^"#]*)', text):
            link = html.unescape(link)
            if link not in seen:
                seen.add(link)
                todo.append(link)
    trug.keep(
        "page/wrong-methods.txt",
        "".join(
            trug.visit(it, method=how)
            for it in ("/", f"{site}/write", f"/api/v1/sites/{SITE}")
            for how in ("PUT", "POST", "HEAD", "OPTIONS")
        ),
    )
    trug.keep(
        "page/forms/without-password.txt",
        trug.visit(f"{site}/write", {"kind": "note"}) + trug.visit("/enter", {"password": "x"}),
    )
    trug.keep("page/forms/enter.txt", trug.visit("/enter", {"password": PASSWORD}))
    cookie = trug.cookie
    start = trug.visit(f"{site}/write", cookie=cookie)
    for kind in sorted(set(re.findall(r"kind=([\w-]+)", start))):
        asked = trug.visit(f"{site}/write?kind={kind}", cookie=cookie)
        said = [asked]
        for action, fields, _ in Forms(asked).found[-1:]:
            for wrong in (
                {"at": "yesterday"},
                {"place": "no-place"},
                {key: "a few" for key, value in fields.items() if value == "7"},
                {},
            ):
                trug.pass_time(1)
                said.append(trug.visit(action, fields | wrong, cookie))
        trug.keep(f"page/forms/write-{kind}.txt", "\n\n".join(said))
    alarms = trug.visit(f"{site}/alarms", cookie=cookie)
    said = [alarms]
    for n, (action, fields, buttons) in enumerate(it for it in Forms(alarms).found if it[2]):
        for button in [("do", "explode"), buttons[n % len(buttons)], ("do", "note")]:
            trug.pass_time(1)
            said += [
                trug.visit(action, fields | dict([button]) | {"note": "pump is off"}, cookie),
                trug.visit(f"{site}/alarms", cookie=cookie),
            ]
    trug.keep("page/forms/alarms.txt", "\n\n".join(said))
    trug.pass_time(1)
    for path in ["/", f"{site}/sensors"] + [
        f"{site}/{'tank' if it == 'perch-tank' else 'bed'}/{it}" for it in PLACES[:-1]
    ]:
        trug.keep(f"page/entered/{file(path)}.txt", trug.visit(path, cookie=cookie))
    trug.keep("page/stopped.txt", f"{trug.stop()}\n{trug.broker.text()}")


def told(trug):
    """Three bad days by MQTT through the daemon: letters, e-mails, webhooks, told files; answers on the way."""
    post = world.Post()
    more = (HERE / "ways.toml").read_text()
    more = more.replace("port = 25", f"port = {post.mail_port}").replace(":80/", f":{post.hook_port}/")
    ways = lambda text: text.replace('\nemail = ["teacher@', '\nfile = ["record"]\nemail = ["teacher@').replace(
        '\nemail = ["office@', '\nwebhook = ["school-office"]\nemail = ["office@'
    )
    settings(trug.folder, lambda text: text + more, ways)
    (trug.folder / "config/secret").write_text("0123456789abcdef" * 4 + "\n")
    (trug.folder / "config/secret").chmod(0o600)
    trug.environment |= {"TRUG__WATCH__CLOCK_JUMP_S": "86400", "TRUG__WATCH__DISK_FREE_MB": "1"}
    trug.record("told/check.txt", "check", "tell", "tell --test office", "--json tell --test teacher")
    source = world.Broker()
    garden = trug.folder / f"config/gardens/{SITE}.toml"
    trug.keep(
        "told/simulator.txt",
        re.sub(
            r"[\d.]+ s, \d+ a second",
            "TIME",
            trug.ask(
                "run",
                HERE / "busy-days.toml",
                "--garden",
                garden,
                "--broker",
                f"mqtt://127.0.0.1:{source.port}",
                "--sent",
                "sent.csv",
                program=trug.simulator,
            ).replace(str(HERE), "HERE"),
        ),
    )
    with open(trug.folder / "sent.csv") as file:
        sent = [
            (moment(row["time"]), it[2], it[3]) for row, it in zip(csv.DictReader(file), source.heard, strict=True)
        ]
    trug.keep("told/sent.txt", "".join(f"{at} {topic} {payload.decode()}\n" for at, topic, payload in sent))
    trug.clock.set(sent[0][0].replace(microsecond=0))
    trug.start()
    store = sqlite3.connect(f"file:{trug.folder}/var/trug.db?mode=ro", uri=True)
    wait = "select count(*) from message where state = 'waiting' and next_at <= ?"

    def delivered():
        for _ in range(400):
            if (
                not store.execute(wait, [int(trug.clock.now.timestamp() * 1000)]).fetchone()[0]
                and not store.execute("select count(*) from outbox where sent = 0").fetchone()[0]
            ):
                return
            time.sleep(0.02)

    answers = iter(
        [
            "alarms",
            "alarms ack {}",
            "alarms note {} seen",
            "alarms shelve {} --for 2h",
            "alarms unshelve {}",
            "alarms off {}",
            "alarms on {}",
        ]
    )
    said, answer_at = [], sent[0][0] + timedelta(hours=15)
    for at, topic, payload in sent:
        while trug.clock.now < at:
            trug.pass_time(min(60, max(1, (at - trug.clock.now).seconds + bool(at.microsecond))))
            delivered()
        trug.broker.send(topic, payload)
        delivered()
        if at > answer_at and (command := next(answers, None)):
            open_alarm = store.execute(
                "select kind || '/' || place from alarm where state = 'unacknowledged' order by since, kind"
            ).fetchone() or ["dry-bed/pea-bed"]
            said.append(trug.ask(*[it.format(open_alarm[0]) for it in command.split()]))
            answer_at += timedelta(hours=3)
    for topic, payload in [
        ("other/thing", b"17"),
        (sent[0][1], b"{"),
        (sent[0][1], b'{"raw": "x"}'),
        ("trug/saltbush-gully/answer", b'{"alarm": "dry-bed/pea-bed", "do": "ack"}'),
    ]:
        trug.broker.send(topic, payload)
    trug.pass_time(2)
    delivered()
    store.close()
    trug.keep("told/answers.txt", "".join(said))
    trug.keep("told/today.txt", trug.visit("/") + trug.visit(f"/site/{SITE}/alarms") + trug.visit("/health"))
    mail = "\n\n----\n".join(sorted(post.mails))
    link = re.findall(r"/answer\?t=([\w.~%-]+)", quopri.decodestring(mail.encode()).decode())[-1]
    trug.keep(
        "told/link.txt",
        trug.visit(f"/answer?t={link}") + trug.visit("/answer", {"t": link}) + trug.visit("/answer", {"t": link}),
    )
    trug.keep("told/stopped.txt", f"{trug.stop()}\n")
    trug.keep("told/letters.txt", trug.broker.text())
    trug.keep("told/mails.txt", mail)
    trug.keep("told/webhooks.txt", "\n".join(sorted(post.hooks)))
    trug.keep("told/told.jsonl", (trug.folder / "told.jsonl").read_text())
    trug.record(
        "told/messages.txt",
        "messages --from 2026-04-01",
        "--json messages --from 2026-04-01",
        "alarms --from 2026-04-01 --to 2026-05-01",
        "alarms",
        "alarms --figures --from 2026-04-06",
    )
    trug.keep("told/store.txt", world.dump(trug.folder / "var/trug.db"))


def scenario(trug, name, seed):
    """A scenario of the simulator through `trug import`: what truly happened beside what was judged."""
    settings(trug.folder)
    garden = trug.folder / f"config/gardens/{SITE}.toml"
    where = f"scenarios/{name}-{seed or 'own'}"
    trug.keep(
        f"{where}/simulator.txt",
        trug.ask(
            "write",
            name,
            "--garden",
            garden,
            "--truth",
            "truth.json",
            "--sent",
            "sent.csv",
            *(["--seed", seed] if seed else []),
            program=trug.simulator,
        ),
    )
    trug.keep(f"{where}/truth.json", (trug.folder / "truth.json").read_text())
    trug.record(f"{where}/import.txt", "import sent.csv", "alarms", "--json alarms --from 2026-01-01 --to 2026-12-31")
    trug.keep(f"{where}/store.txt", world.dump(trug.folder / "var/trug.db"))


def records(trug):
    """A record that others published, and files with lines that are refused."""
    settings(trug.folder, garden=lambda _: (HERE / "bay.toml").read_text())
    shutil.copy(ROOT / "tests/published/records/apalachicola_rain_15min.csv", trug.folder / "rain.csv")
    shutil.copy(HERE / "refused.csv", trug.folder / "bad.csv")
    trug.record("records/import.txt", *lines("records.txt"))
    trug.keep("records/store.txt", world.dump(trug.folder / "var/trug.db"))


def main():
    binary, out = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()
    only = sys.argv[3:]
    simulator = binary.with_name("garden-simulator")
    names = re.findall(
        r"(?m)^([\w-]+) +\d+ days",
        subprocess.run([simulator, "scenarios"], capture_output=True, check=True, text=True).stdout,
    )
    work = [(told, ()), (month, ()), (settings_faults, ()), (help_and_faults, ()), (records, ())] + [
        (scenario, (name, seed)) for name in names for seed in SEEDS
    ]

    def one(it):
        part, arguments = it
        began = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="trug-same-") as folder:
            trug = Trug(binary, Path(folder), out, MONTH_ENDS)
            trug.simulator = simulator
            part(trug, *arguments)
        print(f"{part.__name__} {' '.join(map(str, arguments))}: {time.monotonic() - began:.0f} s", flush=True)

    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        list(pool.map(one, [it for it in work if not only or it[0].__name__ in only]))


main()
