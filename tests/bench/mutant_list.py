"""All mutants of a module: cosmic-ray makes them, what cannot matter or would flatter the figures is left out here."""

import ast
import difflib
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

__all__ = ["Mutant", "changed_lines", "mutants_of", "mutated", "sample"]

_COUNTING = ("Add", "Sub", "Mul", "Div", "FloorDiv", "Mod", "Pow")


@dataclass(frozen=True, slots=True, order=True)
class Mutant:
    """One slip: which operator of cosmic-ray, where it applies for the n-th time in the module, and on which line."""

    path: str
    line: int
    column: int
    operator: str
    occurrence: int

    @property
    def part(self) -> str:
        """`watch` or `physics`."""
        return self.path.split("/")[1]


def mutants_of(path: str, source: str) -> list[Mutant]:
    """Every mutant of one module that is worth a run, in the order of its lines."""
    nodes = list(ast_nodes(get_ast(source)))
    idle = list(_idle_spans(ast.parse(source)))
    found = []
    for name in operator_names():
        operator_class = get_operator(name)
        if operator_class.arguments() or _left_out(name):
            continue
        operator = operator_class()
        places = (place for node in nodes for place, _ in operator.mutation_positions(node))
        for occurrence, (line, column) in enumerate(places):
            mutant = Mutant(path, line, column, name.removeprefix("core/"), occurrence)
            if not any(begin <= (line, column) < end for begin, end in idle) and _is_program(mutant, source):
                found.append(mutant)
    return sorted(found)


def _left_out(name: str) -> bool:
    if "Comparison" in name:
        # `is` made `is not`, `<` made `>=` and so on; `is` made `<` raises or is the same, and nobody slips like that.
        *_, before, after = name.split("_")
        return before.startswith("Is") != after.startswith("Is")
    # `+` made `<<` falls over the first float it meets: nobody slips like that, and each would count as killed.
    if "BinaryOperator" not in name:
        return False
    *_, before, after = name.split("_")
    return (before in _COUNTING) != (after in _COUNTING)


def _is_program(mutant: Mutant, source: str) -> bool:
    """`a < not b`, which cosmic-ray makes of `a < -b`, is none."""
    if not (mutant.operator.startswith("ReplaceUnaryOperator") and mutant.operator.endswith("_Not")):
        return True
    try:
        ast.parse(mutated(mutant, source))
    except SyntaxError:
        return False
    return True


def _idle_spans(tree: ast.Module) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Where a change changes nothing that runs: types, flags of `@dataclass`, `strict` of `zip`."""
    for node in ast.walk(tree):
        spans: list[ast.expr | ast.pattern | None] = []
        if isinstance(node, ast.AnnAssign | ast.arg):
            spans.append(node.annotation)
        elif isinstance(node, ast.FunctionDef):
            spans.append(node.returns)
        elif isinstance(node, ast.ClassDef):
            calls = (one for one in node.decorator_list if isinstance(one, ast.Call))
            spans.extend(flag.value for call in calls for flag in call.keywords)
        elif isinstance(node, ast.Call):
            spans.extend(flag.value for flag in node.keywords if flag.arg == "strict")
            yield from (_stars(flag) for flag in node.keywords if flag.arg is None)
        elif isinstance(node, ast.Starred):
            yield _stars(node)
        elif isinstance(node, ast.Dict):
            unpacked = (value for key, value in zip(node.keys, node.values, strict=True) if key is None)
            yield from (((one.lineno, one.col_offset - 2), (one.lineno, one.col_offset)) for one in unpacked)
        elif isinstance(node, ast.match_case):
            spans.append(node.pattern)
        elif isinstance(node, ast.Module):
            # `Effect = A | B`: a type's name.
            assigned = (one.value for one in node.body if isinstance(one, ast.Assign | ast.AnnAssign))
            spans.extend(one for one in assigned if isinstance(one, ast.BinOp) and isinstance(one.op, ast.BitOr))
        for span in spans:
            if span is not None and span.end_lineno is not None and span.end_col_offset is not None:
                yield (span.lineno, span.col_offset), (span.end_lineno, span.end_col_offset)


def _stars(node: ast.keyword | ast.Starred) -> tuple[tuple[int, int], tuple[int, int]]:
    """The stars of an unpacking, which cosmic-ray takes for a product or a power: no program comes of that."""
    return (node.lineno, node.col_offset), (node.lineno, node.col_offset + 1)


def mutated(mutant: Mutant, source: str) -> str:
    """The module's text with the slip in it."""
    text = mutate_code(source, get_operator(f"core/{mutant.operator}")(), mutant.occurrence)
    if not isinstance(text, str):
        raise LookupError(f"{mutant}: cosmic-ray finds no such place; was the module changed meanwhile?")
    return text


def changed_lines(mutant: Mutant, source: str) -> list[str]:
    """The lines before and after, marked - and +."""
    lines = difflib.unified_diff(source.splitlines(), mutated(mutant, source).splitlines(), lineterm="", n=0)
    return [line for line in lines if line[:1] in "+-" and line[:3] not in ("+++", "---")]


def sample(mutants: Iterable[Mutant], size: int, seed: int) -> list[Mutant]:
    """So many of each part, drawn evenly; a larger sample of the same seed holds the smaller one. 0: all."""
    chosen: list[Mutant] = []
    everything = sorted(mutants)
    for part in sorted({one.part for one in everything}):
        of_part = [one for one in everything if one.part == part]
        random.Random(seed).shuffle(of_part)
        chosen += of_part[: size or None]
    return chosen
