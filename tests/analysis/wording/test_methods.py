"""The methods paragraph names what was used, with its source, and nothing that was not."""

import pytest

from panel.analysis.wording.methods import methods
from panel.prose import ENGLISH
from panel.study.plan_reading import read_plan

# Published sources, each belonging to a part of the method.
ALWAYS = ("RFC 8785", "Mantel 1967", "Holm 1979", "Venzon & Moolgavkar 1988", "Laplace")
BY_PROCEDURE = {
    "abx": ("ABX", "Macmillan & Creelman", "Pinheiro & Bates 1995"),
    "triangle": ("ISO 4120", "Ennis 1993", "Pinheiro & Bates 1995"),
    "attribute": ("ISO 5495", "Φ(d′/√2)"),
    "preference": ("paired preference", "Bradley & Terry 1952", "Φ(d′/√2)"),
}


def paragraph(made, procedure, kind="fixed"):
    document = made.plan(made.contrast("q1", procedure, votes=8), listeners=6, kind=kind)
    return methods(ENGLISH, read_plan(document))


@pytest.mark.parametrize("procedure", BY_PROCEDURE)
def test_each_procedure_has_its_sources_and_not_those_of_others(made, procedure):
    text = paragraph(made, procedure)
    for source in (*ALWAYS, *BY_PROCEDURE[procedure]):
        assert source in text
    others = {s for other in BY_PROCEDURE.values() for s in other} - set(BY_PROCEDURE[procedure])
    for source in others:
        assert source not in text


def test_the_stopping_rule_has_its_own_sources(made):
    fixed, looked_at = paragraph(made, "abx"), paragraph(made, "abx", "anytime")
    assert "Gaffke 2005" in fixed
    assert "Ville 1939" not in fixed
    for source in ("Ville 1939", "Howard, Ramdas", "Waudby-Smith & Ramdas 2024", "Wald 1947"):
        assert source in looked_at
    assert "confidence sequence" in looked_at
    assert "Gaffke" not in looked_at
