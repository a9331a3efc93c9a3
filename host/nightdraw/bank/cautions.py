"""The cautions that go with whatever sizes or builds a bank: common practice of the trade, in one place."""

from __future__ import annotations

CAUTIONS = (
    "Resistors and box get hot: keep them away from carpet, trim and hands, and let air at them.",
    "Fuse at the source, sized for the wire. Eye protection; a battery gives off explosive gas, so no sparks "
    "near it; negative off first and on last.",
    "Never on airbag, high-voltage, 48 V or other safety circuits. Training vehicles only, with a tag that "
    "says a load is fitted; no unattended overnight run.",
    "A computer with an earthed mains adapter joins the vehicle's ground to earth through USB: run it from "
    "its own battery or put a USB isolator between.",
    "These figures are calculated, not measured: feel and measure your own box on its first run. The vehicle "
    "maker's procedure, local codes and a licensed technician come first.",
)
