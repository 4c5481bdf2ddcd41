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


class WrittenOut(cst.CSTTransformer):
    """`@property def x` as `def x_property` and `x = property(x_property)`, but where another decorator names it."""

    def leave_ClassDef(self, original_node: cst.ClassDef, updated_node: cst.ClassDef) -> cst.ClassDef:  # noqa: N802, ARG002
        if not isinstance(updated_node.body, cst.IndentedBlock):
            return updated_node
        body: list[cst.BaseStatement | cst.BaseSmallStatement] = []
        for one in updated_node.body.body:
            plain = isinstance(one, cst.FunctionDef) and [_word(each) for each in one.decorators] == ["property"]
            if not isinstance(one, cst.FunctionDef) or not plain:
                body.append(one)
                continue
            name = one.name.value
            body.append(one.with_changes(decorators=[], name=cst.Name(name + GETTER)))
            body.append(cst.parse_statement(f"{name} = property({name}{GETTER})"))
        return updated_node.with_changes(body=updated_node.body.with_changes(body=body))


def _word(decorator: cst.Decorator) -> str | None:
    return decorator.decorator.value if isinstance(decorator.decorator, cst.Name) else None


def mutated(root: Path, path: Path) -> Iterator[dict[str, str]]:
    """Write a file's mutants into it, and tell of each."""
    code = cst.parse_module(path.read_text(encoding="utf-8")).visit(WrittenOut()).code
    made = mutate_file_contents(str(path), code)
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
