"""How long the list of dogs takes while people look: its page over a large group, from its records.

    python tests/bench/bench_dogs.py [--dogs 50000] [--keep FOLDER] [--users 5] [--seconds 60]

The dogs are those of bench_readiness.py, with twenty vets who look after them. `forepaw pages` runs
as a process of its own; each user asks for the list, filtered and paged in turn, waits a second and
goes on. Then a score is entered, and then files seem to have come in, which has all of it worked
out anew beside those who look. Shown are the centiles at the user, headers to last byte, and the
slowest of each part. Wanted: a 95th centile below 300 ms on two cores, and nobody who waits for a
list to be worked out. That midnight finds its list made is held by a test.
"""

from __future__ import annotations

import argparse
import os
import re
import secrets
import signal
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import httpx2
import numpy as np
from bench_readiness import fill
from sqlalchemy import insert

from forecast.accounts import people, sessions
from forecast.accounts.links import invite, use_link
from forecast.accounts.roles import Role
from forecast.practice import create_practice, open_practice, template
from forecast.records import Records, open_records, tables
from forecast.records.dogs import identities
from forecast.records.entries import enter
from forecast.records.vets import assign, keep_vets

_SERVE = "import sys; from jobs.cli import main; main()"
_N_VETS = 20
_WARM_WITHIN = 300.0  # s


def prepare(folder: Path, n_dogs: int) -> tuple[Records, str]:
    """Fill the practice where it is not there, and sign a vet in; return records and token."""
    now = datetime.now(UTC)
    is_new = not folder.exists()
    practice = create_practice(folder, template(), now=now) if is_new else open_practice(folder)
    records = open_records(practice)
    if is_new:
        fill(records, n_dogs)
        with records.writing() as connection:
            ids = keep_vets(connection, [f"Vet {n}" for n in range(_N_VETS)])
            vet_of = dict(zip(identities(records), [*ids.values()] * n_dogs, strict=False))
            assign(connection, vet_of, since=practice.local_date, by=None)
    email = f"{secrets.token_hex(4)}@practice.invalid"
    link = invite(records, name="A vet", email=email, role=Role.VET, by=None, now=now)
    use_link(records, link.token, secrets.token_urlsafe(32), today=now.date(), now=now)
    account = people.by_email(records, email)
    with records.writing() as connection:
        return records, sessions.begin(connection, account.id, now=now)


def serve(folder: Path) -> tuple[subprocess.Popen[str], str]:
    """Start the pages; return the process and its address."""
    words = [sys.executable, "-c", _SERVE, "pages", "--practice", str(folder), "--port", "0"]
    server = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert server.stdout is not None
    for line in server.stdout:
        if found := re.search(r"http://127\.0\.0\.1:\d+", line):
            threading.Thread(target=server.stdout.read, daemon=True).start()
            return server, found[0]
    raise SystemExit(f"the pages ended with {server.wait()} before they were ready")


class Look:
    """People who look at the list, and how long each page took them."""

    def __init__(self, base: str, token: str, vet: str) -> None:
        self._base, self._token = base, token
        self._paths = [
            *("/dogs", "/dogs?due=work-up", "/dogs?page=3", "/dogs?q=dog-0000", "/dogs?branch=b"),
            *(f"/dogs?vet={vet}", "/dogs?who=every+dog&page=2", "/dogs.json", "/vets"),
        ]
        self.took: list[float] = []
        self.n_behind = 0

    def client(self) -> httpx2.Client:
        """Return a browser of the vet's."""
        cookie = {"cookie": f"forepaw-session={self._token}"}
        return httpx2.Client(base_url=self._base, timeout=_WARM_WITHIN, headers=cookie)

    def once(self, client: httpx2.Client, path: str = "/dogs") -> float:
        """Ask for a page; return how long it took."""
        began = time.perf_counter()
        reply = client.get(path)
        took = time.perf_counter() - began
        if reply.status_code != 200:
            raise SystemExit(f"{path} was answered with {reply.status_code}")
        self.n_behind += "being worked out anew" in reply.text
        return took

    def walk(self, users: int, seconds: float) -> list[float]:
        """Let users look until the time is over."""
        until, found = time.monotonic() + seconds, list[float]()

        def one(first: int) -> None:
            with self.client() as client:
                at = first
                time.sleep(first / max(users, 1))
                while time.monotonic() < until:
                    found.append(self.once(client, self._paths[at % len(self._paths)]))
                    at += 1
                    time.sleep(1.0)

        threads = [threading.Thread(target=one, args=(n,)) for n in range(users)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return found


def show(what: str, took: list[float]) -> None:
    """Print the centiles of a part."""
    half, most = (1000 * float(np.quantile(took, share)) for share in (0.5, 0.95))
    print(
        f"{what}: {len(took)} pages, half within {half:.0f} ms, 95 % within {most:.0f} ms, the "
        f"slowest {1000 * max(took):.0f} ms",
        flush=True,
    )


def main() -> None:
    """Make the dogs, unless they are kept from before; serve them; let people look."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--dogs", type=int, default=50_000)
    parser.add_argument("--keep", type=Path, help="practice folder that is made once and kept")
    parser.add_argument("--users", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=60.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        records, token = prepare(asked.keep or Path(scratch) / "practice", asked.dogs)
        with records.reading() as connection:
            vet = connection.execute(tables.vet.select()).first()
            dog = connection.execute(tables.dog.select()).first()
        assert vet is not None
        assert dog is not None
        server, base = serve(asked.keep or Path(scratch) / "practice")
        try:
            look = Look(base, token, vet.id)
            with look.client() as client:
                print(f"the first page after the start: {look.once(client):.1f} s", flush=True)
                show("as it stands", look.walk(asked.users, asked.seconds))
                today = open_practice(asked.keep or Path(scratch) / "practice").local_date
                score = {"date": today, "pvas": 4.0, "scorer": "owner", "scale": "PVAS"}
                rows, now = [("pruritus_score", score)], datetime.now(UTC)
                with records.writing() as connection:
                    enter(connection, dog.id, rows, by="nobody", at=now)
                print(f"the first page after an entry: {1000 * look.once(client):.0f} ms")
                file = {"subject": "facts", "file_name": "f", "sha256": os.urandom(8).hex()}
                file |= {"state": "live", "n_rows": 0, "imported_at": datetime.now(UTC)}
                with records.writing() as connection:
                    connection.execute(insert(tables.imported_file).values(**file))
                look.n_behind = 0
                show("while all is worked out anew", look.walk(asked.users, asked.seconds))
                print(f"of these {look.n_behind} said that the list is being worked out anew")
        finally:
            server.send_signal(signal.SIGTERM)
            server.wait(30)
            records.close()


if __name__ == "__main__":
    main()
