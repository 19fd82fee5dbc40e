"""Mixed-effects models of answers: `fit`, as in `panel.analysis.mixed.model`."""

from panel.analysis.mixed.model import fit

__all__ = ["fit"]
