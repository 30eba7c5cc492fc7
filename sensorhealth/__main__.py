"""`python -m sensorhealth` is the command line."""

from sensorhealth.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
