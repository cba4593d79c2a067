"""A program that watches a folder is killed again and again (SIGKILL): no line is lost, and none is taken twice."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from tests.live.readings import PATIENCE_S, two_thousand

WATCHER = """
import json, sys
from ingest.links.address import address_of
from ingest.links.item import Origin
from ingest.links.stream import Stream
from ingest.links.watched_folder import WatchedFolder
from schemas.profile import Profile
folder, journaled = sys.argv[1], json.loads(sys.argv[2])
profile = Profile(title="t", reading=r"(?P<thickness>[0-9.]+)", unit="mil")
link = WatchedFolder(address_of(f"folder:{folder}"), profile, poll_s=0.005, settle_s=3600)
if journaled:
    origins = [Origin(*origin) for record in journaled for origin in record["origins"]]
    link.resume({origin.name: origin for origin in origins})
stream = Stream(most_items=10)
link.start(stream)
while True:
    item = stream.get()
    origins = [[o.name, o.end, o.sha256] for o in (*item.there_before, *([item.origin] if item.origin else []))]
    line = item.frame.data.decode() if item.frame else None
    print(json.dumps({"kind": item.kind, "line": line, "note": item.note, "origins": origins}), flush=True)
"""
KILLS = 5


def test_through_kills_every_line_of_a_watched_folder_is_taken_once(tmp_path: Path) -> None:
    rng = random.Random(7)
    readings = [line.decode() for line in two_thousand()]
    (tmp_path / "old.txt").write_text("#9999 9.99\r\n")
    begun = threading.Event()

    def write() -> None:
        assert begun.wait(PATIENCE_S)
        for number in range(0, 2000, 20):
            data = "".join(line + "\r\n" for line in readings[number : number + 20]).encode()
            cut = rng.randrange(len(data))
            for part in (data[:cut], data[cut:]):
                with (tmp_path / f"run-{number // 400}.txt").open("ab") as out:
                    out.write(part)
                time.sleep(0.005)

    writer = threading.Thread(target=write, daemon=True)
    writer.start()
    journaled: list[dict[str, Any]] = []
    for kill in range(KILLS + 1):
        # The last origin of each file is enough, as a journal's replay leaves it.
        origins = {origin[0]: origin for record in journaled for origin in record["origins"]}
        known = json.dumps([{"origins": list(origins.values())}] if journaled else [])
        watcher = subprocess.Popen([sys.executable, "-c", WATCHER, tmp_path, known], stdout=subprocess.PIPE)
        assert watcher.stdout is not None
        enough = 2000 if kill == KILLS else (kill + 1) * 300 + rng.randrange(50)
        for line in watcher.stdout:
            record = json.loads(line)
            journaled.append(record)
            begun.set()
            if sum(one["kind"] == "line" for one in journaled) >= enough:
                break
        watcher.kill()
        # What had been printed by then was journaled as well; a torn last record was not.
        journaled += [json.loads(line) for line in watcher.stdout.read().split(b"\n")[:-1]]
        watcher.wait()
        watcher.stdout.close()
    writer.join()
    assert [one["note"] for one in journaled if one["kind"] == "partial"] == []
    taken = [one["line"] for one in journaled if one["kind"] == "line"]
    assert sorted(taken) == sorted(readings)
    for file_no in range(5):
        mine = [one["line"] for one in journaled if one["line"] and one["origins"][0][0] == f"run-{file_no}.txt"]
        assert mine == readings[file_no * 400 : file_no * 400 + 400]
