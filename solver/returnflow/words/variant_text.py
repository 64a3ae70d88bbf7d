"""Recommended boards that nobody drew, as tables of variants that can be put at the end of the case file."""

from __future__ import annotations

from itertools import chain, count

from returnflow.advice.study import Study
from returnflow.words.columns import short
from returnflow_geometry.casefile.difference import NoVariantError
from returnflow_geometry.casefile.toml_text import variant_text
from returnflow_geometry.model.wording import MAX_NAME, named

HEAD = (
    "Written by returnflow: boards that it drew, solved and recommends, as variants.",
    "Put at the end of the case file they are solved again, and what you would draw otherwise can be changed.",
)


def recommended_variants(study: Study) -> dict[str, str]:
    """
    Text of every recommended board that nobody drew, by its name; of one that no table says, why.

    Parameters
    ----------
    study : Study
    """
    found = {}
    taken = {variant.name.casefold() for variant in study.case.variants}
    for name in study.proved:
        others = (f"{short(name, MAX_NAME - 5)}, {number}" for number in count(2))
        title = next(it for it in chain([short(name, MAX_NAME)], others) if it.casefold() not in taken)
        taken.add(title.casefold())
        try:
            found[name] = variant_text(title, study.as_variant(name), study.changes.get(name, ()))
        except NoVariantError as error:
            why = " ".join(str(error).split())
            found[name] = f"# {named(name)} cannot be given as a variant: {why}.\n"
    return found


def recommended_text(study: Study) -> str:
    """
    All of them as the text of one file; nothing where there is none.

    Parameters
    ----------
    study : Study
    """
    every = recommended_variants(study)
    if not every:
        return ""
    head = "".join(f"# {line}\n" for line in (*HEAD, f"Case: {' '.join(study.case.title.split())}"))
    return "\n".join([head, *every.values()])
