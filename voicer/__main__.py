"""``python -m voicer``."""

from voicer.cli import main

main()
