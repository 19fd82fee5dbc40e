"""Fair Hearing: a self-hosted web listening panel."""

__version__ = "0.1.0"
