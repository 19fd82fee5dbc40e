"""What building the demo comes to."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Built:
    """What a finished demo consists of: two studies of one organiser and a listener's link."""

    organiser: str
    closed_id: int
    closed_code: str
    open_id: int
    open_code: str
    listener_id: int
    votes: int
    export: str
