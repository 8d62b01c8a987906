"""An independent, read-only check, by content, that a mirror truly matches its source."""

__version__ = "0.1.0"
