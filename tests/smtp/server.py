"""A mail server for the tests: aiosmtpd takes the messages, the email package of
Python's standard library reads them.

    server.py SECURITY [--certificate FILE --key FILE] [--user NAME --password WORD]

SECURITY is none, starttls or tls. Listens on a free port of 127.0.0.1, prints
{"port": N}, then one JSON object for each message that it has taken. Ends when its
standard input does.
"""

import argparse
import asyncio
import base64
import email
import email.policy
import json
import logging
import ssl
import sys

from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword


def say(value):
    # Bytes of a header that are not ASCII come as lone surrogates.
    text = json.dumps(value, ensure_ascii=False) + "\n"
    sys.stdout.buffer.write(text.encode("utf-8", "surrogateescape"))
    sys.stdout.buffer.flush()


def addresses(header):
    return [[one.display_name, one.addr_spec] for one in header.addresses] if header else []


def defects(message):
    found = [str(defect) for defect in message.defects]
    for _, value in message.items():
        found += [str(defect) for defect in getattr(value, "defects", [])]
    for part in message.iter_parts() if message.is_multipart() else []:
        found += defects(part)
    return found


def read(raw):
    message = email.message_from_bytes(raw, policy=email.policy.default)
    parts = [
        {
            "type": part.get_content_type(),
            "charset": part.get_content_charset(),
            "encoding": str(part["Content-Transfer-Encoding"]),
            "text": part.get_content(),
        }
        for part in message.walk()
        if not part.is_multipart()
    ]
    return {
        "names": [name for name, _ in message.items()],
        "headers": {name: str(value) for name, value in message.items()},
        "type": message.get_content_type(),
        "from": addresses(message["From"]),
        "to": addresses(message["To"]),
        "date": message["Date"].datetime.isoformat() if message["Date"] else None,
        "parts": parts,
        "defects": defects(message),
    }


class Taker:
    async def handle_DATA(self, server, session, envelope):
        raw = envelope.original_content
        login = session.auth_data
        say(
            {
                "tls": server.transport.get_extra_info("sslcontext") is not None,
                "login": login.login.decode() if isinstance(login, LoginPassword) else None,
                "mail_from": envelope.mail_from,
                "rcpt_to": envelope.rcpt_tos,
                "options": envelope.mail_options,
                "raw": base64.b64encode(raw).decode(),
                **read(raw),
            }
        )
        return "250 taken"


async def serve(arguments):
    context = None
    if arguments.security != "none":
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(arguments.certificate, arguments.key)

    def known(server, session, envelope, mechanism, data):
        fits = (
            isinstance(data, LoginPassword)
            and data.login.decode() == arguments.user
            and data.password.decode() == arguments.password
        )
        return AuthResult(success=fits, handled=False, auth_data=data)

    def conversation():
        return SMTP(
            Taker(),
            hostname="mail.test",
            enable_SMTPUTF8=True,
            tls_context=context if arguments.security == "starttls" else None,
            require_starttls=arguments.security == "starttls",
            auth_required=arguments.user is not None,
            auth_require_tls=arguments.security == "starttls",
            authenticator=known,
        )

    loop = asyncio.get_running_loop()
    at_once = context if arguments.security == "tls" else None
    server = await loop.create_server(conversation, host="127.0.0.1", port=0, ssl=at_once)
    say({"port": server.sockets[0].getsockname()[1]})
    # Whoever started it holds the other end.
    await loop.run_in_executor(None, sys.stdin.read)
    server.close()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("security", choices=["none", "starttls", "tls"])
    for name in ["certificate", "key", "user", "password"]:
        parser.add_argument(f"--{name}")
    # It warns of a login that its own TLS does not guard, and of its own old names.
    logging.getLogger("mail.log").setLevel(logging.ERROR)
    asyncio.run(serve(parser.parse_args()))


main()
