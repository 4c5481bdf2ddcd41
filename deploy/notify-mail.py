#!/usr/bin/env python3
"""A program for `gatehand notify --run`: sends what it reads as one mail, by any program that is called as sendmail is.

    gatehand notify --run /etc/gatehand/notify-mail.py owner@shop.example

The first argument is the address; the ids behind it are in the mail anyway. SENDMAIL names another program, MAIL_FROM
a sender. Nothing of an alarm gets into a header but its title, which is one line of printable text; the address comes
from you alone. The exit code is the mailer's: when it fails, gatehand reports all of it again.
"""

import json
import os
import subprocess
import sys
from datetime import datetime
from email.message import EmailMessage

CAUTION = "Lock a machine out before you reach into it. Gatehand is not a safety device."
LONGEST_SUBJECT = 120


def one_line(text: object) -> str:
    """The text on one line, printable: no header can begin in it."""
    return "".join(char if char.isprintable() else " " for char in str(text))


def local(stamp: object) -> str:
    """An RFC 3339 time by this computer's clock; anything else stays as it is."""
    try:
        return datetime.fromisoformat(str(stamp)).astimezone().strftime("%Y-%m-%d %H:%M:%S")
    except ValueError:
        return one_line(stamp)


def subject(told: list[dict[str, object]]) -> str:
    """What it is about, at a glance."""
    first = told[0]
    words = one_line(first.get("title", ""))
    if first.get("kind") != "digest":
        words = f"{'over' if first.get('state') == 'over' else 'ALARM'}: {words}"
    more = f" and {len(told) - 1} more" if len(told) > 1 else ""
    return f"Gatehand: {words}"[:LONGEST_SUBJECT] + more


def text(one: dict[str, object]) -> str:
    """An alarm, or the digest of a day, in lines."""
    if one.get("kind") == "digest":
        lines = [one_line(one["title"]), "", str(one.get("text") or ""), one_line(one.get("problem") or "")]
        active = [f"Active now: {one_line(each['title'])}: {one_line(each['because'])}" for each in one["active"]]
        return "\n".join([*lines, *active]).strip()
    until = f" until {local(one['until'])}" if one.get("until") else ""
    lines = [f"{one_line(one['title'])} ({one_line(one['state'])}), since {local(one['since'])}{until}"]
    lines += [one_line(one[key]) for key in ("because", "next") if one.get(key)]
    return "\n".join(lines)


def main() -> int:
    """Send it."""
    address = next(iter(sys.argv[1:]), "")
    if "@" not in address or address.startswith("-") or address != one_line(address):
        print("wanted the address that the mail goes to, such as owner@shop.example", file=sys.stderr)
        return 2
    told = json.load(sys.stdin)
    mail = EmailMessage()
    mail["To"] = address
    if os.environ.get("MAIL_FROM"):
        mail["From"] = os.environ["MAIL_FROM"]
    mail["Subject"] = subject(told)
    mail.set_content("\n\n".join([*map(text, told), CAUTION]) + "\n")
    mailer = os.environ.get("SENDMAIL", "/usr/sbin/sendmail")
    command = [mailer, "-i", "--", address]
    return subprocess.run(command, input=mail.as_bytes(), check=False).returncode  # noqa: S603 - no shell, and yours


if __name__ == "__main__":
    sys.exit(main())
