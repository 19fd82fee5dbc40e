"""What a listener's headphone check came to: taken, taken again, or left out."""

from collections.abc import Mapping

from panel.errors import BadInput, Conflict
from panel.marked import N_
from panel.stages.listen.standing import ListenerState, attempts, changed
from panel.stages.listeners.links import holder, locked_plan
from panel.store.session import Store
from panel.store.tables import Listener

CHECK_RESULTS = ("passed", "failed", "not taken")
CHECKS_ALLOWED = 2


def record_check(
    store: Store,
    code: str,
    result: str,
    detail: Mapping[str, str | int] | None = None,
) -> ListenerState:
    """Record the headphone check: "passed", "failed" or "not taken", with its detail.

    A later result replaces the earlier one; all stay in the detail.
    """
    if result not in CHECK_RESULTS:
        raise BadInput(f"A headphone check cannot be {result!r}.")

    def change(listener: Listener) -> None:
        taken = list(listener.headphone_detail.get("attempts", []))
        taken.append({"result": result, **(detail or {})})
        listener.headphone_detail = {"attempts": taken}
        listener.headphone_check = result
        listener.checked_at = listener.checked_at or store.now()

    return changed(store, code, change)


def conclude_check(
    store: Store, code: str, *, passed: bool, right: int, of: int, kind: str = "antiphase"
) -> str:
    """Record a headphone check taken in the booth: "passed", "again" or "failed".

    A first failure may be repeated once ("again": put headphones on), and counts as failed only
    after that; guessing passes the better of two with a probability of 3.5 % (tones) or 0.3 %
    (hidden pitch).
    """
    with store.session() as s:
        earlier = attempts(holder(s, code)[0])
    detail: dict[str, str | int] = {"kind": kind, "right": right, "of": of}
    if passed or earlier + 1 >= CHECKS_ALLOWED:
        record_check(store, code, "passed" if passed else "failed", detail)
        return "passed" if passed else "failed"

    def change(listener: Listener) -> None:
        taken = [*listener.headphone_detail.get("attempts", []), {"result": "failed", **detail}]
        listener.headphone_detail = {"attempts": taken}

    changed(store, code, change)
    return "again"


def skip_check(store: Store, code: str) -> ListenerState:
    """Go on without the headphone check, where the plan only records it.

    After a failed first attempt that attempt stands. Raises Conflict when the plan needs it.
    """
    with store.session() as s:
        listener, study = holder(s, code)
        if locked_plan(s, study).exclude_by_headphones:
            raise Conflict(
                N_("This study needs the headphone check."), hint=N_("Go back and take it.")
            )
        failed = attempts(listener) > 0

    def change(listener: Listener) -> None:
        listener.headphone_check = "failed" if failed else "not taken"
        listener.checked_at = listener.checked_at or store.now()

    return changed(store, code, change)
