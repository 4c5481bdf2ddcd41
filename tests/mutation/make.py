"""Turns files of a package into files that hold all their mutants: `python make.py FOLDER FILE...`, in place.

`mutants.py` starts it, in a process of its own. FOLDER is the source root that the modules' names count from. mutmut
passes decorated functions over, so a property is written out first, as a method and `property(method)`. Told on
standard output: one JSON object a mutant, with its name, its function, and the line that was and is.
"""

import difflib
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import libcst as cst
from mutmut.mutation.file_mutation import mutate_file_contents

GETTER = "_property"
"""What the method behind a property is called after."""


def written_out(source: str) -> str:
    """`@property def x` as `def x_property` and `x = property(x_property)`, but where another decorator names it."""
    module = cst.parse_module(source)
    return str(module.with_changes(body=[_written_out(each) for each in module.body]).code)


def _written_out(part: cst.CSTNode) -> cst.CSTNode:
    """A statement of the module; a class without its plain properties."""
    if not isinstance(part, cst.ClassDef) or not isinstance(part.body, cst.IndentedBlock):
        return part
    body: list[cst.CSTNode] = []
    for one in part.body.body:
        if not isinstance(one, cst.FunctionDef) or [_word(each) for each in one.decorators] != ["property"]:
            body.append(one)
            continue
        name = one.name.value
        body.append(one.with_changes(decorators=[], name=cst.Name(name + GETTER)))
        body.append(cst.parse_statement(f"{name} = property({name}{GETTER})"))
    return part.with_changes(body=part.body.with_changes(body=body))


def _word(decorator: cst.Decorator) -> str | None:
    return decorator.decorator.value if isinstance(decorator.decorator, cst.Name) else None


def mutated(root: Path, path: Path) -> Iterator[dict[str, str]]:
    """Write a file's mutants into it, and tell of each."""
    made = mutate_file_contents(str(path), written_out(path.read_text(encoding="utf-8")))
    path.write_text(made.code, encoding="utf-8")
    module = ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")
    lines = made.code.splitlines()
    functions = {
        name: [line.partition("  # type: ignore # mutmut")[0] for line in lines[span.start - 1 : span.end]]
        for name, span in made.line_span_by_function_name.items()
    }
    for name in made.mutant_names:
        family, _, _ = name.partition("__mutmut_")
        before, after = functions[f"{family}__mutmut_orig"], functions[name]
        was, now = _change([line.replace(f"{family}__mutmut_orig", name) for line in before], after)
        function = family.removeprefix("x_").removeprefix("xǁ").replace("ǁ", ".").removesuffix(GETTER)
        yield {"name": f"{module}.{name}", "module": module, "function": function, "was": was, "now": now}


def _change(before: list[str], after: list[str]) -> tuple[str, str]:
    lines = [*difflib.unified_diff(before, after, n=0, lineterm="")][3:]
    told = (" ".join(line[1:].strip() for line in lines if line[0] == sign) for sign in "-+")
    was, now = told
    return was, now


def main() -> None:
    """All the files."""
    root, *paths = map(Path, sys.argv[1:])
    for path in paths:
        for one in mutated(root, path):
            print(json.dumps(one))


if __name__ == "__main__":
    main()
