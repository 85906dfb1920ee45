"""How long the hydraulics take, side by side in one run: ``python -m tests.benchmarks.hydraulics``.

Prints microseconds of CPU a call and the ratio to one bare steam-table call, which scales with the
machine as the rest does. Targets: thermal minimum flow of one pump at most 2 ms; import of the
whole library at most 0.3 s.
"""

import subprocess
import sys
import time
from collections.abc import Callable

import seuif97

from tests.engineering.demo_pumps import DEMO_PUMPS
from valvecare.engineering.bypass import ReturnLine, bypass_working_point
from valvecare.engineering.liquids import WATER
from valvecare.engineering.minimum_flow import NpshRequired, thermal_minimum_flow
from valvecare.engineering.uncertainty import decide_at_least

PUMP = DEMO_PUMPS["AF-FW"]
CURVE = PUMP.curve(points=20)
NPSH = NpshRequired((0.0, 0.06), (3.0, 8.0), margin_m=1.0, inlet_bore_m=0.2, source="invented")
LINE = ReturnLine(18.0, 0.05, 2.0, 0.1, 3, 2.0, 5.7e5)
STATE = {"inlet_temperature_degc": PUMP.inlet_degc, "inlet_pa_abs": PUMP.inlet_pa_abs}


def thermal(npsh: NpshRequired | None) -> None:
    thermal_minimum_flow(
        CURVE, WATER, **STATE, stated_rise_k=8.0, vapour_margin_pa=1e4, npsh_required=npsh
    )


def working_point() -> None:
    bypass_working_point(
        CURVE, WATER, LINE, kv=4.6, recovery_factor=1.0, main_flow_m3_per_s=0.0, **STATE
    )


def decision() -> None:
    decide_at_least(63.0, standard_uncertainty=1.2, required=60.0, probability=0.95)


def cpu_us(call: Callable[[], object], seconds: float = 0.4) -> float:
    call()
    count, start = 0, time.process_time()
    while time.process_time() - start < seconds:
        call()
        count += 1
    return 1e6 * (time.process_time() - start) / count


def main() -> None:
    base = cpu_us(lambda: seuif97.pt(3.0, 26.85, 3))
    for name, call in (
        ("bare steam-table call", lambda: seuif97.pt(3.0, 26.85, 3)),
        ("guarded density", lambda: WATER.density(26.85, 3e6)),
        ("thermal minimum flow, 21 points", lambda: thermal(None)),
        ("thermal minimum flow with NPSH", lambda: thermal(NPSH)),
        ("bypass working point", working_point),
        ("decision", decision),
    ):
        took = cpu_us(call)
        print(f"{name:34} {took:9.1f} us  {took / base:8.0f} x")
    code = (
        "import time; t = time.process_time()\n"
        "import valvecare.engineering.flow_tests, valvecare.engineering.flow_choice\n"
        "import valvecare.engineering.bypass, valvecare.engineering.leakage\n"
        "import valvecare.engineering.cooling, valvecare.engineering.orifice\n"
        "print(time.process_time() - t)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    print(f"import of the hydraulics           {float(done.stdout):9.3f} s")


if __name__ == "__main__":
    main()
