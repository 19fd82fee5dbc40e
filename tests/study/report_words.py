"""All texts of verdict and report in the source, read as `pybabel extract` reads them."""

from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import DEFAULT_KEYWORDS, extract_from_dir
from babel.messages.frontend import parse_mapping_cfg

ROOT = Path(__file__).resolve().parents[2]
KEYWORDS = DEFAULT_KEYWORDS | {"say": None}


def extracted() -> Catalog:
    """A catalogue without translations."""
    with (ROOT / "web" / "words" / "report.cfg").open(encoding="utf-8") as mapping:
        methods, options = parse_mapping_cfg(mapping)
    catalog = Catalog()

    def ours(folder: str | Path) -> bool:
        return Path(folder).relative_to(ROOT).parts[:1] in ((), ("panel",), ("web",))

    for name, line, message, comments, context in extract_from_dir(
        ROOT, methods, options, KEYWORDS, directory_filter=ours
    ):
        catalog.add(message, None, [(name, line)], auto_comments=comments, context=context)
    return catalog
