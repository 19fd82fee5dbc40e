"""What happens where in a take, as it is kept for a picture of it."""

from dataclasses import dataclass

from panel.study.documents import Entry, Json
from panel.study.shapes import NotTold, read, written

HINT = "Restore the study from a backup in which it can be read."


@dataclass(frozen=True)
class Overview:
    """Per column of a picture lowest and highest sample and RMS over all channels, full scale 1.0;
    `seconds` in all. range_lu: loudness range (EBU Tech 3342), not told where nothing passes its
    gates, None where it was not asked for."""

    lowest: tuple[float, ...]
    highest: tuple[float, ...]
    rms: tuple[float, ...]
    seconds: float
    range_lu: float | NotTold | None = None

    def document(self) -> dict[str, Json]:
        entries = written(self)
        assert isinstance(entries, dict)
        return entries


def read_overview(document: Json) -> Overview:
    """An overview from its JSON. Raises BadInput, with the path, for what is missing or wrong."""
    return read(Overview, Entry(document, "picture of the take", HINT))
