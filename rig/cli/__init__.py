"""The command line."""


def main() -> None:
    """Run the command that the process was called with, and leave with its exit code."""
    from rig.cli.faults import run

    run()
