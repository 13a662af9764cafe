"""Lets ``python -m plyflat`` do what the ``plyflat`` command does."""

from .cli import main

if __name__ == "__main__":
    raise SystemExit(main())
