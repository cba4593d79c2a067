"""`make campaign`: the slow campaigns in their long form; writes campaign.json."""

from __future__ import annotations

import argparse
import json
import sys
from functools import partial
from typing import Final

from bench import flip_bytes, kill_batch, kill_capture, kill_commit, kill_fold, kill_live, tamper
from bench.results_folder import RESULTS

SEED: Final = 20261103


def main() -> int:
    """Run every campaign; return 1 where anything was lost, half visible or failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=200, metavar="N", help="how often each kills (default: 200)")
    parser.add_argument(
        "--live-times", type=int, default=1000, metavar="N", help="how often a live capture is killed, over all links"
    )
    args = parser.parse_args()
    times, live_times = args.times, args.live_times // len(kill_live.PEERS)
    results = []
    for run in (
        lambda: kill_capture.campaign(times, SEED),
        *(partial(kill_live.campaign, live_times, SEED, peer) for peer in kill_live.PEERS),
        lambda: kill_commit.campaign(times),
        lambda: kill_fold.campaign(times, SEED),
        lambda: kill_batch.campaign(times // 2, SEED),
        lambda: tamper.campaign(times * 2, SEED),
        lambda: flip_bytes.campaign(times * 10, SEED),
    ):
        results.append(run())
        print(json.dumps(results[-1]), flush=True)
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / "campaign.json").write_text(json.dumps(results, indent=2) + "\n", encoding="utf-8")
    return int(any(r["lost"] or r["half_visible"] or r["failed"] for r in results))


if __name__ == "__main__":
    sys.exit(main())
