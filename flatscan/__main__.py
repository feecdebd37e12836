"""``python -m flatscan``."""

from flatscan.cli import main

main()
