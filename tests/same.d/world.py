"""What a recorded trug lives in: a clock that stands, a broker, servers for mail and webhooks, a visitor."""

import hashlib
import http.client
import http.server
import io
import os
import re
import socket
import socketserver
import sqlite3
import struct
import subprocess
import threading
import time
import urllib.parse
import zipfile
from datetime import datetime, timedelta, timezone
from pathlib import Path

FAKETIME = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1")) + sorted(
    Path("/usr/lib").glob("*/faketime/libfaketime.so.1")
)

# What differs from run to run, and what is written in its place. Nothing else is changed.
NORMAL = [
    (r"127\.0\.0\.1:\d{5}\b", "127.0.0.1:PORT"),
    (r'name="(token|once)" value="[^"]*"', r'name="\1" value="RANDOM"'),
    (r"(?m)^(set-cookie: [^=]+=)[^;]+", r"\1RANDOM"),
    (r"Its password, to try changes with: [a-z2-9-]{19}", "Its password, to try changes with: RANDOM"),
    (r"(readings in|took it in) \d+\.\d s", r"\1 SECONDS s"),
    (r"\$argon2id\$\S+", "$argon2id$RANDOM"),
    (r'"seconds": 0\.\d+', '"seconds": SECONDS'),
    (r"(?m)^date: .*$", "date: NOW"),
    (r"/tmp/trug-same-[^/]+", "FOLDER"),
]


def normal(text):
    for pattern, instead in NORMAL:
        text = re.sub(pattern, instead, text)
    return text


class Clock:
    """The computer's clock as the programs see it: it stands until it is set."""

    def __init__(self, folder, at):
        self.file = folder / "clock"
        self.set(at)

    def set(self, at):
        self.now = at
        beside = self.file.with_name(self.file.name + ".new")
        beside.write_text(at.strftime("%Y-%m-%d %H:%M:%S\n"))
        beside.rename(self.file)

    def on(self, seconds):
        self.set(self.now + timedelta(seconds=seconds))


def moment(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(timezone.utc)


def dump(path):
    """Every table of a store in the order of its columns, with the schema."""
    base = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    lines = [f"user_version {base.execute('pragma user_version').fetchone()[0]}"]
    for name, kind, sql in base.execute("select name, type, sql from sqlite_schema order by type, name").fetchall():
        lines += ["", f"== {kind} {name}", sql or ""]
        if kind == "table":
            columns = len(base.execute(f"select * from {name} limit 0").description)
            order = ", ".join(str(n + 1) for n in range(columns))
            lines += [" | ".join(map(repr, row)) for row in base.execute(f"select * from {name} order by {order}")]
    base.close()
    return "\n".join(lines) + "\n"


def parts(data):
    """The files in a spreadsheet, one after the other."""
    with zipfile.ZipFile(io.BytesIO(data)) as whole:
        return "".join(f"== {name}\n{readable(whole.read(name))}\n" for name in whole.namelist())


def readable(data):
    """Text with its lines broken where a difference is to be seen; other bytes as their digest."""
    if data[:4] == b"PK\x03\x04":
        return parts(data)
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return f"{len(data)} bytes, sha256 {hashlib.sha256(data).hexdigest()}\n"
    return text.replace("><", ">\n<").replace("},{", "},\n{")


class Broker:
    """As much of MQTT 5 (OASIS, 2019) as a subscriber and publishers at QoS 1 need; keeps what is published."""

    def __init__(self):
        self.heard, self.acks, self.listener, self.number = [], threading.Semaphore(0), None, 0
        broker = self

        class Session(socketserver.StreamRequestHandler):
            def handle(self):
                try:
                    broker.session(self)
                except (ConnectionError, struct.error, IndexError):
                    pass

        self.server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Session)
        self.server.daemon_threads = True
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    @staticmethod
    def length(read):
        value = shift = 0
        while True:
            byte = read(1)[0]
            value, shift = value | (byte & 127) << shift, shift + 7
            if byte < 128:
                return value

    @staticmethod
    def packet(head, body):
        size, digits = len(body), b""
        while True:
            size, digit = size >> 7, size & 127
            digits += bytes([digit | (128 if size else 0)])
            if not size:
                return bytes([head]) + digits + body

    def session(self, it):
        who, write = "", it.request.sendall
        it.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while head := it.rfile.read(1):
            body = io.BytesIO(it.rfile.read(self.length(it.rfile.read)))
            text = lambda: body.read(struct.unpack("!H", body.read(2))[0])
            kind = head[0] >> 4
            if kind == 1:
                text(), body.read(4)
                body.read(self.length(body.read))
                who = text().decode()
                write(b"\x20\x03\x00\x00\x00")
            elif kind == 3:
                topic = text().decode()
                packet = body.read(2) if head[0] & 6 else b""
                body.read(self.length(body.read))
                self.heard.append((re.sub(r"\d+", "N", who), head[0] & 1, topic, body.read()))
                if packet:
                    write(b"\x40\x02" + packet)
            elif kind == 4:
                self.acks.release()
            elif kind == 8:
                packet = body.read(2)
                body.read(self.length(body.read))
                filters = 0
                while size := body.read(2):
                    body.read(struct.unpack("!H", size)[0] + 1)
                    filters += 1
                write(self.packet(0x90, packet + b"\x00" + b"\x01" * filters))
                self.listener = it.request
            elif kind == 12:
                write(b"\xd0\x00")
            elif kind == 14:
                return

    def send(self, topic, payload):
        """Returns when the subscriber has acknowledged it, which trug does after storing it."""
        self.number = self.number % 65_535 + 1
        topic = topic.encode()
        body = struct.pack("!H", len(topic)) + topic + struct.pack("!HB", self.number, 0) + payload
        self.listener.sendall(self.packet(0x32, body))
        if not self.acks.acquire(timeout=30):
            raise TimeoutError(f"trug did not acknowledge {topic}")

    def text(self):
        by = sorted(enumerate(self.heard), key=lambda it: (it[1][0], it[0]))
        return "".join(f"{who} retain={kept} {topic} {payload.decode()}\n" for _, (who, kept, topic, payload) in by)


class Post:
    """A mail server (RFC 5321) and a server for webhooks that take everything and keep it in order."""

    def __init__(self):
        post = self
        self.mails, self.hooks = [], []

        class Mail(socketserver.StreamRequestHandler):
            def handle(self):
                say = lambda line: self.wfile.write(line + b"\r\n")
                say(b"220 mail.test")
                envelope = b""
                while line := self.rfile.readline():
                    verb = line[:4].upper()
                    if verb == b"DATA":
                        say(b"354 go on")
                        lines = iter(self.rfile.readline, b".\r\n")
                        post.mails.append((envelope + b"".join(lines)).decode())
                        envelope = b""
                    elif verb in (b"MAIL", b"RCPT"):
                        envelope += line
                    say({b"DATA": b"250 taken", b"QUIT": b"221 bye"}.get(verb, b"250 ok"))

        class Hook(http.server.BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["content-length"])).decode()
                post.hooks.append(f"{self.path}\n{self.headers}{body}\n")
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_):
                pass

        self.mail = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Mail)
        self.hook = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Hook)
        for server in (self.mail, self.hook):
            server.daemon_threads = True
            threading.Thread(target=server.serve_forever, daemon=True).start()
        self.mail_port, self.hook_port = self.mail.server_address[1], self.hook.server_address[1]


class Trug:
    """The program with a folder, a clock and settings of its own; what it says goes below `out`."""

    def __init__(self, binary, folder, out, at):
        self.binary, self.folder, self.out = binary, folder, out
        self.clock = Clock(folder, at)
        self.environment = {
            "PATH": os.environ["PATH"],
            "HOME": str(folder),
            "TZ": "UTC",
            "LANG": "C.UTF-8",
            "NO_COLOR": "1",
            "LD_PRELOAD": str(FAKETIME[0]),
            "FAKETIME_TIMESTAMP_FILE": str(self.clock.file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "FAKETIME_DONT_RESET": "1",
            "NO_FAKE_STAT": "1",
        }

    def ask(self, *arguments, program=None, stdin=""):
        done = subprocess.run(
            [program or self.binary, *map(str, arguments)],
            cwd=self.folder,
            env=self.environment,
            input=stdin.encode(),
            capture_output=True,
            timeout=600,
        )
        err = f"-- standard error\n{readable(done.stderr)}" if done.stderr else ""
        given = " ".join(map(str, arguments))
        return f"$ {Path(program or 'trug').name} {given}\n{readable(done.stdout)}{err}-- exit code {done.returncode}\n\n"

    def keep(self, name, text):
        file = self.out / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(normal(text))

    def record(self, name, *commands):
        self.keep(name, "".join(self.ask(*(it.split() if isinstance(it, str) else it)) for it in commands))

    def start(self, *arguments):
        """Starts the daemon with a broker and a page, and waits for both."""
        self.broker = Broker()
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        own = {
            "TRUG__BROKER__URL": f"mqtt://127.0.0.1:{self.broker.port}",
            "TRUG__PAGE__LISTEN": f"127.0.0.1:{self.port}",
        }
        self.log = open(self.folder / "log", "wb")
        self.daemon = subprocess.Popen(
            [self.binary, "run", *arguments],
            cwd=self.folder,
            stdout=self.log,
            stderr=self.log,
            env=self.environment | own,
            stdin=subprocess.DEVNULL,
        )
        for _ in range(600):
            try:
                if self.broker.listener and self.visit("/health").startswith("200"):
                    break
            except OSError:
                pass
            time.sleep(0.05)
        else:
            raise TimeoutError((self.folder / "log").read_text())
        time.sleep(2.5)  # the first look at the broker and at itself

    def stop(self):
        self.daemon.terminate()
        code = self.daemon.wait(30)
        self.log.close()
        return code

    def visit(self, path, form=None, cookie=None, method=None):
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        head = {"Host": "localhost"} | ({"Cookie": cookie} if cookie else {})
        body = None
        if form is not None:
            body = urllib.parse.urlencode(form)
            head["Content-Type"] = "application/x-www-form-urlencoded"
        link.request(method or ("POST" if body is not None else "GET"), path, body, head)
        answer = link.getresponse()
        data = answer.read()
        link.close()
        self.cookie = (answer.getheader("set-cookie") or "").split(";")[0]
        # The order of headers says nothing (RFC 9110, 5.3).
        lines = "".join(sorted(f"{name.lower()}: {value}\n" for name, value in answer.getheaders()))
        text = f"{answer.status}\n{lines}\n{readable(data)}"
        if cookie:  # both are made of the page, which has a token
            text = re.sub(r'(?m)(^etag: |data-tag=)"\w+"', r'\1"RANDOM"', text)
        return text

    def settle(self):
        """Returns after the daemon has gone round at least once at the clock's present time."""
        for _ in range(2):
            self.visit("/api/v1/sites/none")

    def pass_time(self, seconds):
        self.clock.on(seconds)
        self.settle()
