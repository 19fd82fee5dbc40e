"""What a trial's prints cost, drawn from the pool, as a ratio against making them at once.

    python tests/bench/prints.py [seconds]        (clips of 5 s if none is given)

Both on the same store in the same run, in turns: an ABX trial of stereo clips at 48 kHz, three
prints. Beside it the same bytes read from three plain files, which nothing can beat. Nothing is
asserted: read the table.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "booth"))

import small_study

from panel.settings import load
from panel.stages.listen import samples, visit
from panel.stages.listen.print_pool import PrintPool
from panel.store.opening import open_store

TURNS = 10


def took(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main(seconds: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(load(data=Path(folder)))
        study = small_study.build(store, procedures=("abx",), votes=8, length_s=seconds)
        link = study.links[0]
        visit.consent(store, link)
        pool = PrintPool(store, 2**32, samples.fresh_print, most_trials=TURNS, least_free=0)
        filling = took(pool.fill)
        made = sum(1 for _ in pool.folder.iterdir())
        plain = [pool.folder / f"plain{slot}" for slot in range(3)]
        wavs = samples.trial_prints(store, link, 1).wavs
        for path, wav in zip(plain, wavs, strict=True):
            path.write_bytes(wav)
        at_once, drawn, read = [], [], []
        for turn in range(TURNS):
            number = turn % 5 + 1
            at_once.append(took(lambda n=number: samples.trial_prints(store, link, n)))
            store.clips["pool"] = pool
            drawn.append(took(lambda n=number: samples.trial_prints(store, link, n)))
            store.clips.pop("pool")
            read.append(took(lambda: [path.read_bytes() for path in plain]))
        base = statistics.median(at_once)
        print(f"{seconds:g} s of stereo at 48 kHz, three prints of {len(wavs[0]) / 1e6:.2f} MB")
        print(f"made at once         1.00  ({1000 * base:.0f} ms here)")
        print(f"drawn from the pool  {statistics.median(drawn) / base:.3f}")
        print(f"three plain files    {statistics.median(read) / base:.3f}")
        print(f"one made ahead       {filling / made / (base / 3):.2f} of one made at once")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 5.0)
