"""What forms send, as numbers; a wrong one is refused in words that name the field."""

import math

from starlette.datastructures import FormData

from panel.errors import BadInput


def text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value if isinstance(value, str) else ""


def texts(form: FormData, name: str) -> list[str]:
    return [value for value in form.getlist(name) if isinstance(value, str)]


def typed(form: FormData) -> dict[str, str]:
    """What was typed and chosen, by the fields' names: to be shown again beside what is wrong."""
    return {name: value for name, value in form.items() if isinstance(value, str)}


def number(form: FormData, name: str, called: str) -> float:
    """A finite number; a decimal comma is understood. Raises BadInput."""
    raw = text(form, name).strip()
    try:
        value = float(raw.replace(",", ".").replace("−", "-"))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        shown = f"“{raw[:40]}” is no number" if raw else "The field is empty"
        raise BadInput(f"{called}: {shown[0].lower() + shown[1:]}.", hint="Write a number.")
    return value


def whole(form: FormData, name: str, called: str) -> int:
    """A whole number. Raises BadInput."""
    value = number(form, name, called)
    if value != int(value) or abs(value) > 1e9:
        raise BadInput(f"{called}: {value:g} is no whole number.", hint="Write a whole number.")
    return int(value)
