"""Real recordings, fetched by deploy/recordings.py before the tests run; never committed."""

from pathlib import Path

import pytest

FETCHED = Path(__file__).parents[2] / ".data" / "recordings"


def fetched(package: str) -> Path:
    folder = FETCHED / package
    if not (folder / "integrity").is_file():
        pytest.fail(
            f"The recordings in {package} are not there. Fetch them with network access: "
            ".venv/bin/python deploy/recordings.py (deploy/test does so by itself)."
        )
    return folder


@pytest.fixture(scope="session")
def sample() -> Path:
    """Folder of one recording, 12.3 s at 44.1 kHz in one channel, in many formats and depths
    (npm package audio-lena); `lena.raw` holds it as little-endian 32-bit floats."""
    return fetched("audio-lena")


@pytest.fixture(scope="session")
def guitar() -> Path:
    """Folder of single notes of a real acoustic guitar, 16 bits at 44.1 kHz, named A2.wav and so
    on (npm package tonejs-instrument-guitar-acoustic-wav)."""
    return fetched("tonejs-instrument-guitar-acoustic-wav")
