"""The layout of the code: who may import whom, and that no module names what it must not."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

BASE = {"planner.errors", "planner.tables", "planner.progress"}
ALLOWED: dict[str, set[str]] = {
    "planner.errors": set(),
    "planner.progress": set(),
    "planner.code_mark": set(),
    "planner.tables": BASE,
    "planner.standards": BASE,
    "planner.intake": BASE,
    # loading checks and stores in one transaction, so the store calls the intake's checks
    "planner.store": BASE | {"planner.intake", "planner.standards"},
    "planner.plant": BASE,
    "planner.health": BASE | {"planner.plant", "planner.standards"},
    "planner.routes": BASE,
    "planner.reports": BASE | {"planner.standards"},
    "planner.synthetic": BASE | {"planner.standards"},
    "planner.stages": BASE
    | {
        "planner.code_mark",
        "planner.standards",
        "planner.intake",
        "planner.store",
        "planner.plant",
        "planner.health",
        "planner.routes",
        "planner.reports",
    },
    "planner.pipeline": BASE | {"planner.code_mark", "planner.store", "planner.stages"},
    "planner.commands": {"planner", "dashboards"},
    "planner.cli": BASE | {"planner.commands"},
    "dashboards": BASE | {"planner.store", "planner.reports"},
}


def modules() -> list[Path]:
    """Every Python file of the product."""
    return sorted((*ROOT.glob("planner/**/*.py"), *ROOT.glob("dashboards/**/*.py")))


def part_of(module: str) -> str:
    """The part of the layout a module belongs to."""
    names = module.split(".")
    return names[0] if names[0] == "dashboards" else ".".join(names[:2])


def imports_of(path: Path) -> set[str]:
    """Our own modules that a file imports, anywhere in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name for name in found if name.split(".")[0] in {"planner", "dashboards"}}


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_imports_only_what_its_part_may(path: Path) -> None:
    """No arrow between parts that the map in DEVELOPERS.md does not draw."""
    module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    part = part_of(module)
    if part in {"planner.__init__", "planner"}:
        return
    allowed = ALLOWED[part] | {part}
    wrong = {
        name for name in imports_of(path) if not any(name == place or name.startswith(place + ".") for place in allowed)
    }
    assert not wrong, f"{module} imports {sorted(wrong)}"


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_says_what_it_is_and_catches_nothing_blindly(path: Path) -> None:
    """Every module opens with its purpose; no bare or all-catching except outside the edges."""
    tree = ast.parse(path.read_text())
    if path.name != "__init__.py":
        assert ast.get_docstring(tree), f"{path}: no module docstring"
    for node in ast.walk(tree):
        if isinstance(node, ast.ExceptHandler):
            broad = node.type is None or (isinstance(node.type, ast.Name) and node.type.id == "Exception")
            assert not broad, f"{path}:{node.lineno}: catches everything"


def public_definitions(body: list[ast.stmt]) -> list[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef]:
    """Public functions, classes and methods of a module body; not functions inside functions."""
    found: list[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef] = []
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            found.append(node)
            if isinstance(node, ast.ClassDef):
                found += public_definitions(node.body)
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_public_definitions_are_described(path: Path) -> None:
    """Every public function, method and class of the product has a docstring."""
    definitions = public_definitions(ast.parse(path.read_text()).body)
    where = path.relative_to(ROOT)
    bare = [f"{where}:{node.lineno} {node.name}" for node in definitions if not ast.get_docstring(node)]
    assert not bare, "\n".join(bare)


def test_modules_are_not_named_after_nothing() -> None:
    """No module is called utils, helpers or manager."""
    names = {path.stem for path in modules()}
    assert not names & {"utils", "helpers", "manager", "misc"}
