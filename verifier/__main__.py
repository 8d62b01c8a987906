"""Lets ``python -m verifier`` do what the command ``verifier`` does."""

from verifier.cli.main import run

if __name__ == "__main__":
    run()
