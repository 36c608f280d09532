"""The real ngspice, run on a netlist's text; what it prints and what it tabulates, read back."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np

from tests.conftest import lacking


def run_netlist(text: str, folder: Path) -> str:
    """What ngspice prints for a netlist as it is; fails on an error or a bad exit."""
    if shutil.which("ngspice") is None:
        lacking("ngspice is missing: install the package ngspice")
    file = folder / "netlist.cir"
    file.write_text(text, encoding="ascii")
    done = subprocess.run(
        ["ngspice", "-b", file.name], cwd=folder, capture_output=True, text=True, check=False, timeout=120
    )
    told = done.stdout + done.stderr
    assert done.returncode == 0, told
    assert "error" not in told.lower(), told
    return told


def measured(told: str) -> dict[str, float]:
    """Values of ``meas`` lines by name."""
    return {name: float(value) for name, value in re.findall(r"^(\w+)\s+=\s+([-+\d.e]+)", told, re.MULTILINE)}


def responses(text: str, nodes: list[str], folder: Path, grid: str = "dec 60 20 20000") -> tuple[Any, Any]:
    """Complex gain at nodes of a netlist whose source is 1 V, in place of the netlist's own commands.

    Returns
    -------
    (float64 [shape=(n,)], complex128 [shape=(nodes, n)])
        Frequencies, Hz, and gains.
    """
    body = re.sub(r"\.control.*?\.endc\n", "", text, flags=re.DOTALL)
    vectors = " ".join(f"v({node})" for node in nodes)
    control = f".control\nset numdgt=15\nset wr_singlescale\nac {grid}\nwrdata table.txt {vectors}\nquit\n.endc\n.end\n"
    run_netlist(body.removesuffix(".end\n") + control, folder)
    table = np.loadtxt(folder / "table.txt")
    return table[:, 0], (table[:, 1::2] + 1j * table[:, 2::2]).T
