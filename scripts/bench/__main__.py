"""Time what plyflat does and set it beside other ways: ``python scripts/bench flatten``.

Each module in this folder is one benchmark: its first docstring line says what it measures, ``arguments(parser)`` adds
its options and ``run(options)`` prints its table.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main() -> int:
    """Read the command line and run one benchmark."""
    sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parent.parent / "tests")]
    from _setup import ready

    python = ready("test")
    if Path(sys.prefix).resolve() != python.parent.parent.resolve():
        import subprocess

        return subprocess.call([str(python), str(HERE), *sys.argv[1:]])
    parser = argparse.ArgumentParser(prog="python scripts/bench", description=__doc__.splitlines()[0])
    which = parser.add_subparsers(dest="which", required=True, metavar="WHAT")
    for file in sorted(HERE.glob("bench_*.py")):
        module = importlib.import_module(file.stem)
        sub = which.add_parser(file.stem.removeprefix("bench_"), help=module.__doc__.splitlines()[0])
        module.arguments(sub)
        sub.set_defaults(run=module.run)
    options = parser.parse_args()
    options.run(options)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
