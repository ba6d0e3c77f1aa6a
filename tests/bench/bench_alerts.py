"""Alerts to very many: selected, drawn, and handed to a mail server of this machine.

``bench_alerts.py [OWNERS] [MESSAGES]``: so many owners in three regions (100,000), of whose
messages so many are handed over (all). Says seconds, seconds of processor, and memory.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent / "jobs" / "channels"), str(HERE.parents[1])]

from alert_world import Person, Pet, add_approved, add_people, make_practice, opened, settings  # noqa: E402

from forecast.alerts.sending import draw_lists, preview_list, preview_lists, send_off  # noqa: E402
from forecast.practice import Practice  # noqa: E402
from forecast.records import Records  # noqa: E402
from forecast.records.alerts import alert  # noqa: E402
from jobs.alert_delivery import deliver  # noqa: E402

REGIONS = ("north", "middle", "south")
# Another process, so that what it costs is not counted as ours.
SERVER = """
import sys, time
from aiosmtpd.controller import Controller
class Sink:
    n = 0
    async def handle_DATA(self, server, session, envelope):
        Sink.n += 1
        return "250 OK"
controller = Controller(Sink(), hostname="127.0.0.1", port=int(sys.argv[1]))
controller.start()
print("ready", flush=True)
sys.stdin.readline()
print(Sink.n, flush=True)
controller.stop()
"""


def main(n_owners: int, n_messages: int) -> None:
    """Measure and print."""
    port = 18025
    with tempfile.TemporaryDirectory() as folder:
        zones = tuple((region, "Europe/Berlin") for region in REGIONS)
        practice = make_practice(Path(folder) / "practice", settings(regions=zones, mail_port=port))
        records = opened(practice)
        people = (
            Person(f"o{n}", f"o{n}@x.example", pets=(Pet(REGIONS[n % 3]), Pet(REGIONS[n % 3])))
            for n in range(n_owners)
        )
        add_people(records, people)
        for region in REGIONS:
            add_approved(records, f"a-{region}", region=region)
        _measure(practice, records, port, n_messages)
        records.close()


def _measure(practice: Practice, records: Records, port: int, n_messages: int) -> None:
    with _Timed("the list of one region, as its page and approval show it"):
        preview_list(practice, records, alert(records, f"a-{REGIONS[0]}"))
    with _Timed("selected"):
        wanted = [alert(records, f"a-{region}") for region in REGIONS]
        lists = preview_lists(practice, records, wanted)
    print(f"  {sum(one.n_written_to for one in lists)} households in {len(lists)} regions")
    for region in REGIONS:
        send_off(practice, records, f"a-{region}", by=None)
    with _Timed("drawn (selected and written down)"):
        draw_lists(practice, records)
    words = [sys.executable, "-c", SERVER, str(port)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as server:
        assert server.stdout is not None
        assert server.stdin is not None
        server.stdout.readline()
        deliver(practice, records, say=print, environment={}, most=100)  # what is loaded once
        part = n_messages // 4
        for _ in range(4):
            with _Timed(f"handed over {part}"):
                deliver(practice, records, say=print, environment={}, most=part, seconds=3600)
        server.stdin.write(b"\n")
        server.stdin.flush()
        print(f"  the server took {int(server.stdout.readline())}")


class _Timed:
    def __init__(self, what: str) -> None:
        self._what = what

    def __enter__(self) -> None:
        self._wall, self._work = time.monotonic(), time.process_time()

    def __exit__(self, *_: object) -> None:
        wall, work = time.monotonic() - self._wall, time.process_time() - self._work
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{self._what}: {wall:.1f} s, {work:.1f} s of processor, at most {memory:.0f} MB")


if __name__ == "__main__":
    owners = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    main(owners, int(sys.argv[2]) if len(sys.argv) > 2 else owners - 100)
