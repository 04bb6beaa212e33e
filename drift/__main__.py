"""Run the command line as ``python -m drift``."""

from drift.cli import main

if __name__ == "__main__":
    main()
