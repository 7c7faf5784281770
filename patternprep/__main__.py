"""Run the command line with ``python -m patternprep``."""

from patternprep.cli.main import run

if __name__ == "__main__":
    run()
