"""Where a source can be broken on purpose: sites with their alternatives, found in clang's tree."""

import re
from dataclasses import dataclass, field

from clang.cindex import CursorKind as K
from clang.cindex import Index, TypeKind

# What stands instead of an operator.
OPERATORS = {
    "<": ["<=", ">="], "<=": ["<", ">"], ">": [">=", "<="], ">=": [">", "<"],
    "==": ["!="], "!=": ["=="], "&&": ["||"], "||": ["&&"],
    "+": ["-"], "-": ["+"], "*": ["/"], "/": ["*"],
}
# Words for people and for files are not what must not fail.
LEFT_ALONE = {"describe", "key_of"}
# Checks of the tables that the compiler makes.
PROOFS = re.compile(r"(only|every|nothing|off_is)_\w+")

OPERATOR = re.compile(r"\s*(<=|>=|==|!=|&&|\|\||[-+*/<>])\s*")
NUMBER = re.compile(r"[0-9][0-9a-fA-FxX'.]*(?:[eE][-+]?[0-9]+)?[uUlLfFzZ]*")
COMMENT = re.compile(r"//[^\n]*|/\*.*?\*/", re.S)


@dataclass
class Site:
    start: int
    end: int
    line: int
    function: str
    alternatives: list = field(default_factory=list)  # (what changes, text instead)
    asks: str = "is"  # of switch.h
    as_bool: bool = False  # a condition of another type than bool


class Finder:
    def __init__(self, path, text):
        self.path, self.bytes = path, text
        self.sites = {}
        self.function = ""
        self.around = []  # the cursors from the body down to the one looked at

    def text(self, start, end):
        return self.bytes[start:end].decode()

    def of(self, cursor):
        return self.text(cursor.extent.start.offset, cursor.extent.end.offset)

    def add(self, cursor, instead, change=None):
        start, end = cursor.extent.start.offset, cursor.extent.end.offset
        if start >= end or cursor.extent.start.file is None or cursor.extent.start.file.name != self.path:
            return
        was = " ".join(COMMENT.sub("", self.of(cursor)).split())
        instead = " ".join(COMMENT.sub("", instead).split())
        site = self.sites.setdefault(
            (start, end), Site(start, end, cursor.extent.start.line, self.function))
        change = change or f"{was} -> {instead}"
        if change not in [c for c, _ in site.alternatives]:
            site.alternatives.append((change, instead))

    # ---- declarations

    def look(self, cursor):
        for child in cursor.get_children():
            if child.location.file is None or child.location.file.name != self.path:
                continue
            if child.kind in (K.FUNCTION_DECL, K.CXX_METHOD, K.CONSTRUCTOR, K.FUNCTION_TEMPLATE,
                              K.DESTRUCTOR, K.CONVERSION_FUNCTION):
                name = child.spelling.split("<")[0]
                if child.is_definition() and name not in LEFT_ALONE and not PROOFS.fullmatch(name):
                    self.function = name
                    for part in child.get_children():
                        # A constructor's initialisers are expressions beside its body.
                        if part.kind == K.COMPOUND_STMT or (
                                child.kind == K.CONSTRUCTOR and part.kind.is_expression()):
                            self.visit(part)
            elif child.kind in (K.NAMESPACE, K.CLASS_DECL, K.STRUCT_DECL, K.CLASS_TEMPLATE,
                                K.UNEXPOSED_DECL, K.LINKAGE_SPEC):
                self.look(child)

    # ---- bodies

    def visit(self, cursor):
        self.around.append(cursor)
        self.look_into(cursor)
        self.around.pop()

    def look_into(self, cursor):
        kind, children = cursor.kind, list(cursor.get_children())
        if kind in (K.STATIC_ASSERT, K.TYPE_REF, K.TEMPLATE_REF):
            return
        if kind == K.DECL_STMT and "constexpr" in self.of(cursor).split():
            return
        if kind == K.CASE_STMT:
            children = children[1:]
        if kind in (K.IF_STMT, K.WHILE_STMT, K.DO_STMT, K.CONDITIONAL_OPERATOR, K.FOR_STMT):
            if self.of(cursor).startswith("if constexpr"):
                children = children[1:]
            else:
                self.condition(cursor, children)
        if kind in (K.COMPOUND_STMT, K.IF_STMT, K.FOR_STMT, K.CXX_FOR_RANGE_STMT, K.CASE_STMT,
                    K.DEFAULT_STMT, K.WHILE_STMT):
            first = 0 if kind == K.COMPOUND_STMT else 1 if kind in (K.IF_STMT, K.CASE_STMT) else 2
            if kind == K.DEFAULT_STMT:
                first = 0
            for child in children[first:] if kind != K.CASE_STMT else children:
                self.statement(child, kind)
        if kind == K.RETURN_STMT and children:
            self.returned(children[0])
        if kind.is_expression():
            self.expression(cursor, children)
        for child in children:
            self.visit(child)

    def statement(self, cursor, inside):
        if inside in (K.FOR_STMT,) and not cursor.kind.is_expression():
            return
        if cursor.kind in (K.CALL_EXPR, K.BINARY_OPERATOR, K.COMPOUND_ASSIGNMENT_OPERATOR,
                           K.UNARY_OPERATOR) or (cursor.kind == K.UNEXPOSED_EXPR):
            text = self.of(cursor)
            if cursor.extent.end.offset < len(self.bytes) and re.match(
                    r"\s*;", self.text(cursor.extent.end.offset, cursor.extent.end.offset + 40)):
                was = " ".join(COMMENT.sub("", text).split())
                self.dropped(cursor, was)

    def dropped(self, cursor, was):
        start, end = cursor.extent.start.offset, cursor.extent.end.offset
        site = self.sites.setdefault((start, end), Site(start, end, cursor.extent.start.line, self.function))
        site.alternatives.append((f"without: {was}", None))

    def condition(self, cursor, children):
        if children[0].kind == K.VAR_DECL:
            return  # it is declared here: no expression to put in its place
        expressions = [c for c in children if c.kind.is_expression()]
        if cursor.kind == K.FOR_STMT:
            expressions = [c for c in children[:3] if c.kind.is_expression()]
        if not expressions:
            return
        condition = expressions[-1] if cursor.kind == K.DO_STMT else expressions[0]
        if not self.operator_of(condition) and not self.of(condition).startswith("!"):
            self.add(condition, f"!({self.of(condition)})")
            site = self.sites.get((condition.extent.start.offset, condition.extent.end.offset))
            if site:
                site.as_bool = not self.is_bool(condition)

    @staticmethod
    def is_bool(cursor):
        return cursor.type.get_canonical().kind == TypeKind.BOOL

    @staticmethod
    def before_conversion(cursor):
        """What is converted to bool, where the compiler does it by an operator of the type's own."""
        while len(inner := list(cursor.get_children())) == 1 and (
                cursor.kind == K.UNEXPOSED_EXPR or cursor.spelling == "operator bool"):
            cursor = inner[0]
        return cursor

    def returned(self, cursor):
        if cursor.type.get_canonical().kind == TypeKind.VOID:
            self.dropped(cursor, self.short(cursor))
        elif cursor.type.get_canonical().kind == TypeKind.BOOL and cursor.kind != K.CXX_BOOL_LITERAL_EXPR:
            self.add(cursor, "true", f"return true instead of {self.short(cursor)}")
            self.add(cursor, "false", f"return false instead of {self.short(cursor)}")

    def short(self, cursor):
        return " ".join(COMMENT.sub("", self.of(cursor)).split())[:100]

    def operands(self, cursor, children):
        if cursor.kind == K.CALL_EXPR and cursor.spelling.startswith("operator"):
            return list(cursor.get_arguments())
        if cursor.kind in (K.BINARY_OPERATOR, K.UNEXPOSED_EXPR):
            return [c for c in children if c.kind.is_expression()]
        return []

    def operator_of(self, cursor):
        # `a != b` may be `!(a == b)` to the compiler, with only the innermost extent right.
        while len(inner := list(cursor.get_children())) == 1 and inner[0].kind.is_expression() and (
                cursor.kind == K.UNEXPOSED_EXPR or self.of(cursor).startswith("!=")):
            cursor = inner[0]
        parts = self.operands(cursor, list(cursor.get_children()))
        if len(parts) != 2:
            return None
        between = COMMENT.sub("", self.text(parts[0].extent.end.offset, parts[1].extent.start.offset))
        match = OPERATOR.fullmatch(between)
        return (match.group(1), parts[0], parts[1]) if match else None

    def expression(self, cursor, children):
        found = self.operator_of(cursor) if cursor.kind != K.UNEXPOSED_EXPR or len(children) == 2 else None
        if found and not self.of(cursor).startswith("!="):
            operator, left, right = found
            for other in OPERATORS[operator]:
                self.add(cursor, f"({self.of(left)}) {other} ({self.of(right)})",
                         f"{self.short(cursor)} : {operator} -> {other}")
        kind, text = cursor.kind, self.of(cursor)
        if kind == K.UNARY_OPERATOR and text[:1] in "!-" and text[:2] not in ("--", "!=") and children:
            operand = self.of(children[0])
            # An optional beside a bool would make an optional of both, and a true one.
            cast = text[0] == "!" and not self.is_bool(self.before_conversion(children[0]))
            self.add(cursor, f"static_cast<bool>({operand})" if cast else operand,
                     f"{self.short(cursor)} : without {text[0]}")
        elif kind == K.CXX_BOOL_LITERAL_EXPR and text in ("true", "false"):
            self.add(cursor, "false" if text == "true" else "true")
        elif kind in (K.INTEGER_LITERAL, K.FLOATING_LITERAL):
            self.literal(cursor)
        elif kind == K.CALL_EXPR and re.match(r"std::(min|max)\b", text):
            other = "std::max" if text.startswith("std::min") else "std::min"
            self.add(cursor, other + text[8:])
        elif kind == K.COMPOUND_ASSIGNMENT_OPERATOR and len(children) == 2:
            between = self.text(children[0].extent.end.offset, children[1].extent.start.offset).strip()
            other = {"+=": "-=", "-=": "+=", "*=": "/=", "|=": "&="}.get(between)
            if other:
                self.add(cursor, f"{self.of(children[0])} {other} {self.of(children[1])}")
        elif kind == K.DECL_REF_EXPR and self.is_constant(cursor):
            self.add(cursor, f"mutation::other({text})", f"another value of {text} in {self.short(self.around[-2])}")

    def literal(self, cursor):
        start, end = cursor.extent.start.offset, cursor.extent.end.offset
        text = self.of(cursor)
        whole = re.match(r"[\w'.]*", self.bytes[start:start + 40].decode(errors="replace")).group(0)
        if whole != text or not NUMBER.fullmatch(text):
            return
        if cursor.kind == K.FLOATING_LITERAL or "." in text:
            others = ["1.0" if float(text.replace("'", "")) == 0 else f"({text} * 1.5)"]
        else:
            others = [f"({text} + 1)"] + (["0"] if text == "1" else [])
        for other in others:
            self.add(cursor, other, f"{text} -> {other} in {self.short(self.around[-2])}")

    def is_constant(self, cursor):
        to = cursor.referenced
        if to is None or to.kind != K.VAR_DECL or to.location.file is None:
            return False
        if "array<" in to.type.get_canonical().spelling:
            return False  # a copy of it would have other iterators
        if "/safety/" not in to.location.file.name and "/drivers/" not in to.location.file.name:
            return False
        with open(to.location.file.name, "rb") as file:
            lines = file.read().decode().split("\n")
        return "constexpr" in lines[to.location.line - 1] or "constexpr" in lines[to.extent.start.line - 1]


# Tables that the compiler evaluates are read at run time here, so that their rows can be mutants;
# what the compiler proves of them ends the program where it does not hold.
AT_RUN_TIME = [
    (rb"inline constexpr std::array (table|run_table) = ", rb"inline const std::array \1 = "),
    (rb"constexpr Row row_of", b"inline Row row_of"),
    (rb"constexpr (bool is_listed|Phase phase_after)", rb"inline \1"),
    (rb"constexpr bool (only_|every_|off_is_|nothing_)", rb"inline bool \1"),
    (rb"static_assert\((\w+)\(\)\);", rb"inline const bool held_\1 = \1() || (std::abort(), false);"),
    (rb"constexpr std::array<Rule, cause_count> table_of_rules",
     b"const std::array<Rule, cause_count> table_of_rules"),
    (rb"constexpr Rule rule = ", b"const Rule rule = "),
    (rb"constexpr unsigned long long (mask_of|while_)", rb"const unsigned long long \1"),
    (rb"static_assert\((while_enforcing == [^,]*), [^;]*;",
     rb"const bool every_cause_judges_a_run = (\1) || (std::abort(), false);"),
]
TABLES = ("/transitions.h", "/run_transitions.h", "/rules.cpp")
STATES = re.compile(rb"\bRow\{(\w+), (\w+), (\w+), (\w+), (\w+),")
PHASES = re.compile(rb"\bRunRow\{(\w+), (\w+), (\w+),")
RULES = re.compile(rb"\{Cause::(\w+),\s*(During::\w+),\s*(Clearing::\w+),\s*(\w+)\}")


def rows(finder):
    """Rows of the tables: each state leads elsewhere, does something else or needs nothing; each
    phase leads elsewhere; each rule is judged at another time, cleared by another proof, or gone."""

    def add(match, place, others, name):
        start, end = match.span(place)
        was = match.group(place).decode()
        line = finder.bytes[:start].count(b"\n") + 1
        site = finder.sites.setdefault((start, end), Site(start, end, line, "table", asks="asks"))
        for other in others:
            if other.split("::")[-1] != was.split("::")[-1]:
                site.alternatives.append((f"row {name}: {was} -> {other}", other))

    for match in STATES.finditer(finder.bytes):
        name = b" ".join(match.group(1, 2)).decode()
        add(match, 3, ["State::energised", "State::cutting", "State::off"], name)
        add(match, 4, ["Action::none", "Action::cut"], name)
        add(match, 5, ["Needs::nothing"], name)
    for match in PHASES.finditer(finder.bytes):
        name = b" ".join(match.group(1, 2)).decode()
        add(match, 3, ["Phase::running", "Phase::stopping", "Phase::failed", "Phase::done"], name)
    for match in RULES.finditer(finder.bytes):
        name = match.group(1).decode()
        add(match, 2, ["During::run", "During::always"], name)
        add(match, 3, ["Clearing::person", "Clearing::output_off"], name)
        add(match, 4, ["only_reported"], name)


def find(path, arguments):
    """The sites of one source, in no order."""
    with open(path, "rb") as file:
        text = file.read()
    if path.endswith(TABLES):
        for pattern, instead in AT_RUN_TIME:
            text = re.sub(pattern, instead, text)
    language = ["-x", "c++"] if path.endswith(".h") else []
    unit = Index.create().parse(
        path, args=language + arguments, unsaved_files=[(path, text.decode())])
    finder = Finder(path, text)
    finder.look(unit.cursor)
    if path.endswith(TABLES):
        rows(finder)
    return text, list(finder.sites.values())


def render(text, sites, number):
    """The source with all its mutants; number(site, index) gives a mutant's id, or None."""
    sites = sorted(sites, key=lambda s: (s.start, -s.end))

    def between(start, end, inner):
        out, at = [], start
        while inner:
            site = inner[0]
            nested = [s for s in inner[1:] if s.end <= site.end]
            rest = [s for s in inner[1:] if s.start >= site.end]
            out.append(text[at:site.start].decode())
            out.append(wrapped(site, nested))
            at, inner = site.end, rest
        out.append(text[at:end].decode())
        return "".join(out)

    def wrapped(site, nested):
        as_written = between(site.start, site.end, nested)
        out, dropped = "", None
        for index, (_, instead) in enumerate(site.alternatives):
            mutant = number(site, index)
            if mutant is None:
                continue
            if instead is None:
                dropped = mutant
            else:
                out += f"\nmutation::{site.asks}({mutant}) ? ({instead}) :"
        if out:
            cast = "static_cast<bool>" if site.as_bool else ""
            as_written = f"({out}\n{cast}({as_written}))"
        if dropped is not None:
            as_written = f"(\nmutation::is({dropped}) ? void() : void({as_written}))"
        return as_written

    return between(0, len(text), sites)
