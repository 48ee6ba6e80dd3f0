"""``python -m convert``: the same as the ``fullpoint`` command."""

from convert.cli import main

if __name__ == "__main__":
    main()
