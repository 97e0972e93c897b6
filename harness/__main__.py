"""``python -m harness``: the command line."""

from harness.entry import main

if __name__ == "__main__":
    main()
