"""What the docstrings of public functions lack, read from the source.

    python tests/docstrings.py [PACKAGE]

Public is what ``import veinfit`` gives, what a package gives in its ``__all__``, and every name
that another package of ``veinfit`` imports; of a class its methods without an underscore.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
ARRAY = re.compile(r"\b(?:Float|Int|Bool|Byte)Array\b|\bNDArray\b")
"""Annotations whose parameters have a shape to tell."""

Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Public:
    """A public function or method."""

    module: str
    name: str
    node: Function
    method: bool

    @property
    def package(self) -> str:
        """The package of ``veinfit`` that it is in; its module, of one outside of all packages."""
        return package_of(self.module)


def package_of(module: str) -> str:
    """The second part of a module's name."""
    return (module.split(".") + [""])[1]


def modules() -> dict[str, ast.Module]:
    """Every module of the package, parsed, by its name."""
    found = {}
    for path in sorted((ROOT / "veinfit").rglob("*.py")):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        found[name] = ast.parse(path.read_text(encoding="utf-8"))
    return found


class Package:
    """Names of the package, and where each is defined."""

    def __init__(self) -> None:
        self.modules = modules()
        self.imports: dict[str, list[tuple[str, str, str]]] = {}
        """Each name that a module imports of the package: here, its module and its name there."""
        self.attributes: dict[str, set[tuple[str, str]]] = {}
        """What a module looks up in what has a name, as in ``name.attribute``."""
        for module, tree in self.modules.items():
            imports, attributes = self.imports[module], self.attributes[module] = [], set()
            for node in ast.walk(tree):
                if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("veinfit"):
                    imports += [(a.asname or a.name, str(node.module), a.name) for a in node.names]
                elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                    attributes.add((node.value.id, node.attr))

    def home(self, module: str, name: str) -> tuple[str, str] | None:
        """Where a name is defined that a module has; None for what is no function or class."""
        if module not in self.modules:
            return None
        for node in self.modules[module].body:
            if isinstance(node, Function | ast.ClassDef) and node.name == name:
                return module, name
        for here, there, named in self.imports[module]:
            if here == name and (there, named) != (module, name):
                return self.home(there, named)
        return None

    def public_names(self) -> set[tuple[str, str]]:
        """Module and name of every public function and class."""
        found = set()
        for module, tree in self.modules.items():
            for node in tree.body:
                if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
                    found |= {self.home(module, n) for n in ast.literal_eval(node.value)}
            modules_here = {}
            for here, there, name in self.imports[module]:
                if f"{there}.{name}" in self.modules:
                    modules_here[here] = f"{there}.{name}"
                elif not name.startswith("_"):
                    found |= self._of_another(module, there, name)
            for name, attribute in self.attributes[module]:
                if name in modules_here and not attribute.startswith("_"):
                    found |= self._of_another(module, modules_here[name], attribute)
        return {place for place in found if place}

    def _of_another(self, module: str, there: str, name: str) -> set[tuple[str, str]]:
        place = self.home(there, name)
        return {place} if place and package_of(place[0]) != package_of(module) else set()

    def _of_protocols(self, module: str) -> set[str]:
        """Methods that a protocol of a module describes: what fulfils it need not do so again."""
        return {
            part.name
            for node in self.modules[module].body
            if isinstance(node, ast.ClassDef) and is_protocol(node)
            for part in node.body
            if isinstance(part, Function)
        }

    def public(self) -> Iterator[Public]:
        """Every public function, and every public method of a public class."""
        for module, name in sorted(self.public_names()):
            (node,) = (n for n in self.modules[module].body if getattr(n, "name", None) == name)
            if isinstance(node, ast.ClassDef):
                told = set() if is_protocol(node) else self._of_protocols(module)
                for part in node.body:
                    own = isinstance(part, Function) and not part.name.startswith("_")
                    if own and part.name not in told:
                        yield Public(module, f"{name}.{part.name}", part, True)
            elif isinstance(node, Function):
                yield Public(module, name, node, False)


def is_protocol(node: ast.ClassDef) -> bool:
    """Whether a class says what others of its module do."""
    return any(ast.unparse(base) == "Protocol" for base in node.bases)


def section(text: str, title: str) -> str:
    """The text below a heading of a docstring."""
    begin = text.partition(f"{title}\n{'-' * len(title)}\n")[2]
    return re.split(r"\n\n[A-Z][\w ]+\n-{3,}\n", begin)[0]


def told(text: str, title: str) -> dict[str, str]:
    """What a section names, with the type that stands behind it."""
    found = {}
    for line in section(text, title).splitlines():
        if line and not line.startswith(" "):
            names, _, kind = line.partition(" : ")
            found |= {name.strip().lstrip("*"): kind for name in names.split(",")}
    return found


def lacking(function: Public) -> Iterator[str]:
    """What a docstring lacks, a sentence each."""
    node, text = function.node, ast.get_docstring(function.node) or ""
    if any(ast.unparse(d).endswith((".setter", "overload")) for d in node.decorator_list):
        return
    parameters = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    parameters += [a for a in (node.args.vararg, node.args.kwarg) if a]
    static = any(ast.unparse(d) == "staticmethod" for d in node.decorator_list)
    parameters = parameters[1:] if function.method and not static else parameters
    described = told(text, "Parameters")
    names = {parameter.arg for parameter in parameters}
    if not text:
        yield "no docstring"
    if names - set(described):
        yield f"parameters not told: {', '.join(sorted(names - set(described)))}"
    if set(described) - names:
        yield f"told, and no parameters: {', '.join(sorted(set(described) - names))}"
    for parameter in parameters:
        kind = described.get(parameter.arg)
        annotation = ast.unparse(parameter.annotation) if parameter.annotation else ""
        array = ARRAY.search(annotation) and "Callable" not in annotation
        if kind is not None and array and "(" not in kind:
            yield f"no shape: {parameter.arg}"
    returns = ast.unparse(node.returns) if node.returns else "None"
    gives = section(text, "Returns") or section(text, "Yields")
    if names and not gives and returns not in ("None", "NoReturn"):
        yield "no Returns section"
    raised = set()
    for part in ast.walk(node):
        if isinstance(part, ast.Raise) and part.exc is not None:
            error = part.exc.func if isinstance(part.exc, ast.Call) else part.exc
            if isinstance(error, ast.Name) and error.id[0].isupper():
                raised.add(error.id)
    if raised - set(told(text, "Raises")):
        yield f"errors not told: {', '.join(sorted(raised - set(told(text, 'Raises'))))}"


if __name__ == "__main__":
    for function in Package().public():
        for sentence in lacking(function):
            if not sys.argv[1:] or function.package in sys.argv[1:]:
                print(f"{function.module}:{function.node.lineno} {function.name}: {sentence}")
