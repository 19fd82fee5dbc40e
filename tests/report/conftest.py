from __future__ import annotations

import pytest

from .simulated_study import concluded


@pytest.fixture(scope="session")
def study():
    """(plan, votes, listener rows, verdict): read only."""
    return concluded(12)
