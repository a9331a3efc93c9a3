"""`python -m nightdraw`, the program by its package's name."""

from nightdraw.cli.main import main

if __name__ == "__main__":
    main()
