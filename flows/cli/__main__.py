"""``python -m flows.cli``: the command line where no script is installed."""

from flows.cli.main import main

# Worker processes import the main module of their parent under another name.
if __name__ == "__main__":
    main()
