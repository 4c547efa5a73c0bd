"""The cautions that console, report and README show; the wording is in one place."""

from __future__ import annotations

CAUTIONS = (
    "A laser beam, its reflections from the lens surfaces, and a beam focused by the lens can injure eyes "
    "and skin.",
    "The returns sweep while the lens moves and can leave the targets.",
    "Motorised stages pinch: keep hands and cables clear before the axes move.",
    "Software is not a safety function: interlocks, shutter, emergency stop and eyewear are hardware and "
    "procedure, chosen by the site's laser safety officer and licensed professionals under local rules "
    "(IEC 60825-1, ANSI Z136.1, IEC 60204-1, ISO 13849-1).",
)
