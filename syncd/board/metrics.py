"""Samples as Prometheus text (exposition format 0.0.4).

Owns: the writing and escaping. Must not: measure anything.
"""

from collections.abc import Iterable

from syncd.board.facade import Sample

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"


def render(samples: Iterable[Sample]) -> str:
    """Return samples as text; those of one name stand together below its HELP and TYPE."""
    families: dict[str, list[Sample]] = {}
    for sample in samples:
        assert sample.name.startswith("syncd_"), f"{sample.name} lacks our prefix"
        families.setdefault(sample.name, []).append(sample)
    lines = []
    for name, family in families.items():
        lines.append(f"# HELP {name} {_escape(family[0].help)}")
        lines.append(f"# TYPE {name} {family[0].kind}")
        lines += [f"{name}{_labels(sample)} {_number(sample.value)}" for sample in family]
    return "".join(f"{line}\n" for line in lines)


def _labels(sample: Sample) -> str:
    if not sample.labels:
        return ""
    pairs = [f'{key}="{_escape(value, quote=True)}"' for key, value in sample.labels.items()]
    return "{" + ",".join(pairs) + "}"


def _escape(text: str, *, quote: bool = False) -> str:
    text = text.replace("\\", "\\\\").replace("\n", "\\n")
    return text.replace('"', '\\"') if quote else text


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else repr(float(value))
