"""The command line."""


def main() -> None:
    """Run the command that the process was called with, and leave with its exit code."""
    from rig.threads import keep_to_one_thread

    keep_to_one_thread()
    from rig.cli.faults import edge

    with edge():
        from rig.cli.app import app

        app()
