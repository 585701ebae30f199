"""python -m analysis: the `warmspell` command."""

from analysis.commands import main

if __name__ == "__main__":
    main()
