"""The library stays light: no Django, no SciPy, no fluids at import; late where it is needed."""

import subprocess
import sys

MODULES = (
    "units",
    "plausible",
    "liquids",
    "curves",
    "thermal",
    "heating",
    "suction",
    "minimum_flow",
    "valve_flow",
    "fittings",
    "bypass",
    "parallel_pumps",
    "uncertainty",
    "flow_methods",
    "flow_choice",
    "flow_tests",
    "orifice",
    "cooling",
    "leakage",
    "pump_energy",
)


def test_import_is_light() -> None:
    code = (
        "import sys, importlib\n"
        f"for name in {MODULES!r}:\n"
        "    importlib.import_module('valvecare.engineering.' + name)\n"
        "heavy = ('django', 'scipy', 'numpy', 'fluids', 'CoolProp')\n"
        "print([m for m in heavy if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
