"""``python -m cloudprep``: the command line, where no script is installed."""

from cloudprep.cli.main import entry

if __name__ == "__main__":
    entry()
