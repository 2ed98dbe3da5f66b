"""Loads firmware modules with every arithmetic result checked: MicroPython must be able to hold it unboxed.

On a 32-bit board a small integer has 31 bits; anything from 2**30 on is an object on the heap, and a float
is one always. The source is rewritten so that each operator's result goes through a check.
"""

import ast
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

FIRMWARE = Path(__file__).resolve().parent.parent.parent / "firmware"
SMALLEST = -(1 << 30)
LARGEST = (1 << 30) - 1

# What runs in the control tick, lowest first. ticks.py is built in on the board.
TICK_MODULES = (
    "counters",
    "flow",
    "current_loop",
    "thermistor",
    "controller",
    "interlocks",
    "sample",
    "purge",
    "sequence",
    "trace",
    "drivers/plain_serial",
    "process",
)
# Functions of these modules that run after the tick and may make whatever they like.
OUTSIDE_THE_TICK = {
    "mean",
    "pack",
    "pack_into",
    "_differences",
    "seconds_to_next",
    "measured",
    "causes_present",
    "why",
}


class NotSmall(AssertionError):
    """An intermediate result that would be put on the heap."""


def small(value, where):
    """`value`, if it is a small integer (or no number at all)."""
    if isinstance(value, float):
        raise NotSmall(f"{where}: {value} is a float")
    if isinstance(value, int) and not SMALLEST <= value <= LARGEST:
        raise NotSmall(f"{where}: {value} needs more than 31 bits")
    return value


class _Checked(ast.NodeTransformer):
    def __init__(self, name: str) -> None:
        self.name = name
        self.inside = False  # a function: what a module works out as it is loaded is no matter

    def _wrap(self, node: ast.expr) -> ast.expr:
        where = ast.Constant(f"{self.name}.py:{node.lineno}")
        if not self.inside:
            return node
        call = ast.Call(ast.Name("_small", ast.Load()), [node, where], [])
        return ast.copy_location(call, node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.FunctionDef:
        if node.name in OUTSIDE_THE_TICK:
            return node
        outer, self.inside = self.inside, True
        self.generic_visit(node)
        self.inside = outer
        return node

    def visit_BinOp(self, node: ast.BinOp) -> ast.expr:
        self.generic_visit(node)
        return self._wrap(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.expr:
        self.generic_visit(node)
        return self._wrap(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.stmt:
        self.generic_visit(node)
        load = ast.parse(ast.unparse(node.target), mode="eval").body
        both = ast.copy_location(ast.BinOp(load, node.op, node.value), node)
        return ast.copy_location(ast.Assign([node.target], self._wrap(both)), node)


def load() -> dict[str, ModuleType]:
    """The modules of the tick, instrumented, under names of their own beside the real ones."""
    loaded: dict[str, ModuleType] = {}
    for name in TICK_MODULES:
        source = (FIRMWARE / "skidboard" / f"{name}.py").read_text()
        name = name.rsplit("/", 1)[-1]
        tree = _Checked(name).visit(ast.parse(source))
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module:
                last = node.module.rsplit(".", 1)[-1]
                if last in loaded:
                    node.module = f"instrumented_{last}"
        ast.fix_missing_locations(tree)
        full = f"instrumented_{name}"
        spec = importlib.util.spec_from_loader(full, None)
        module = importlib.util.module_from_spec(spec)
        module.__dict__["_small"] = small
        sys.modules[full] = module
        exec(compile(tree, f"{full}.py", "exec"), module.__dict__)
        loaded[name] = module
    return loaded
