"""What is made wrong, and that what is explained is still there to be explained."""

from __future__ import annotations

import ast
import textwrap

import pytest

from tests.mutation.mutants import Mutant, Mutated, mutants_of
from tests.mutation.targets import ROOT, explained, targets


def changes(source: str) -> list[str]:
    return [mutant.change for mutant in mutants_of(ast.parse(textwrap.dedent(source)))]


@pytest.mark.parametrize(
    ("source", "made"),
    [
        ("x = a < b", ["< -> <=", "< -> >="]),
        ("x = a is not None", ["is not -> is"]),
        ("x = a - 1", ["- -> +", "1 -> 2", "1 -> 0"]),
        ("x = 0.5", ["0.5 -> 1.0", "0.5 -> 0.25"]),
        ("x = a and b", ["a and b -> a or b", "a and b -> b", "a and b -> a"]),
        ("x = not a", ["not a -> a"]),
        ("x = -a", ["-a -> a"]),
        ("x = True", ["True -> False"]),
        ("x = Kind.ONE", ["Kind.ONE -> None"]),
        ("x = 'word'", ["'word' -> 'wordX'"]),
        ("x = 'a sentence.'", []),
        ("x = f'{a}, told'", []),
        ("x = a[1:]", ["1: -> :", "1 -> 2", "1 -> 0"]),
        ("x = min(a, key=f)", ["min(a, key=f) -> max(a, key=f)", "key=f -> nothing"]),
        ("x = a if b else c", ["b -> True", "b -> False"]),
        ("x = [a for a in b if c]", ["c -> True", "c -> False"]),
        ("def f() -> int | None: return a", ["return a -> return None"]),
        ("def f(): return None", []),
        ("def f(x=1): raise x", ["1 -> 2", "1 -> 0", "raise x -> pass"]),
        ("a.b = c", ["a.b = c -> pass"]),
        ("a += b", ["a += b -> pass", "+ -> -"]),
        ("while a: continue", ["a -> False", "continue -> break"]),
        ("'''Words.'''\nimport a\n__all__ = ['a']\nKind = Literal['a']\nassert_never(a)", []),
    ],
)
def test_what_is_made_wrong(source: str, made: list[str]) -> None:
    assert changes(source) == made


def test_a_mutant_is_known_by_its_function_and_not_by_its_line() -> None:
    source = "class A:\n    def f(self):\n        return 1 if x else 1\n"
    mutants = mutants_of(ast.parse(source))
    keys = [mutant.key for mutant in mutants]
    assert ("A.f", "1 -> 2", 1) in keys
    assert ("A.f", "1 -> 2", 2) in keys
    assert keys == [mutant.key for mutant in mutants_of(ast.parse("\n\n" + source))]


def check_one_at_a_time(tree: ast.Module, mutants: list[Mutant]) -> None:
    """Each changes the module, can be compiled, and is gone afterwards."""
    before = ast.dump(tree)
    for mutant in mutants:
        with Mutated(tree, mutant) as mutated:
            assert ast.dump(mutated) != before, mutant.change
            compile(mutated, "mutant", "exec")
        assert ast.dump(tree) == before, mutant.change


def test_each_mutant_stands_alone() -> None:
    target = next(target for target in targets() if target.module == "controller.echo_script")
    tree, mutants = target.mutants()
    check_one_at_a_time(tree, mutants)
    assert len({mutant.key for mutant in mutants}) == len(mutants) > 50


def test_what_is_explained_is_a_mutant_of_the_code_as_it_stands() -> None:
    known = {str(target.path): target for target in targets()}
    for path, reasons in explained().items():
        keys = {mutant.key for mutant in known[path].mutants()[1]}
        assert not reasons.keys() - keys, path
        assert all(len(why) > 10 for why in reasons.values()), path


def test_the_modules_and_tests_of_the_targets_are_there() -> None:
    for target in targets():
        for path in (str(target.path), *target.tests):
            assert (ROOT / path).is_file(), path
