"""`python -m rig.cli`: the same as `chillrig`."""

from rig.cli import main

main()
