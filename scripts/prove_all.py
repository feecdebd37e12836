"""Redo every table of how often decisions and intervals are right: one proof after the other, each as it stands alone.

    python scripts/prove_all.py            all of them at the size that the methods quote (some hours on two cores)
    python scripts/prove_all.py --quick    a seeded part of each (about a quarter of an hour)

Exit code 1 where one fails; which did is said at the end.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

FOLDER = Path(__file__).parent
# script, what it is run with, and with --quick
PROOFS: tuple[tuple[str, tuple[str, ...], tuple[str, ...]], ...] = (
    ("prove_verdict.py", ("--seed", "11"), ("--quick",)),
    ("prove_methods.py", (), ("--walls", "2")),
    ("prove_tie.py", (), ("--quick",)),
    ("prove_volume.py", (), ()),
    ("prove_independent.py", (), ("--walls", "2")),
    ("prove_doubts.py", (), ("--walls", "60")),
    ("prove_doubles.py", (), ("--walls", "1")),
    ("prove_hidden.py", (), ("--quick",)),
    ("prove_seams.py", (), ("--walls", "2")),
    ("prove_strips.py", (), ("--seeds", "1")),
    ("prove_levels.py", (), ("--walls", "4")),
    ("prove_objects.py", ("--seed", "11000"), ("--walls", "5", "--seed", "11000")),
    ("prove_hints.py", (), ("--part", "9")),
    ("prove_agreement.py", (), ("--pairs", "4")),
    ("prove_sweep.py", (), ("--walls", "1")),
)


def main() -> int:
    """Run them in turn; 1 if one fails."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--quick", action="store_true", help="a seeded part of each")
    quick, failed = ask.parse_args().quick, []
    for script, full, part in PROOFS:
        options, start = part if quick else full, time.monotonic()
        print(f"== {script} {' '.join(options)}", flush=True)
        code = subprocess.run([sys.executable, FOLDER / script, *options], check=False).returncode
        print(f"== {script}: {'ok' if code == 0 else f'FAILS ({code})'}, {time.monotonic() - start:.0f} s", flush=True)
        if code:
            failed.append(script)
    print(f"failed: {', '.join(failed)}" if failed else f"all {len(PROOFS)} hold")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
