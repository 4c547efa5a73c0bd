"""``python -m station`` is the command ``coincide``."""

from station.cli import main

main()
