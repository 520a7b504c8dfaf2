"""Every address of the service, found in its URL table."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from django.urls import URLPattern, URLResolver, get_resolver

PARAMETER = re.compile(r"<(?:\w+:)?(\w+)>")


@dataclass(frozen=True)
class Route:
    """`template` as written in the table, such as `surveys/<int:survey_id>/`."""

    template: str

    @property
    def parameters(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(PARAMETER.findall(self.template)))

    def addresses(self, values: Mapping[str, Sequence[object]]) -> Iterator[str]:
        """The route with its parameters filled in every combination of `values`."""
        for chosen in itertools.product(*(values[name] for name in self.parameters)):
            known = dict(zip(self.parameters, chosen, strict=True))
            yield "/" + PARAMETER.sub(lambda found, known=known: str(known[found[1]]), self.template)


def routes(urlconf: str | None = None) -> list[Route]:
    return [Route(template) for template in _templates(get_resolver(urlconf).url_patterns, "")]


def _templates(patterns: Sequence[URLPattern | URLResolver], before: str) -> Iterator[str]:
    for each in patterns:
        template = before + str(each.pattern)
        if isinstance(each, URLResolver):
            yield from _templates(each.url_patterns, template)
        else:
            yield template
