"""What to mind while probes, scales and measures are calibrated: hot water, glass, wet hands, food."""

from __future__ import annotations

STEAM = (
    "Steam and boiling water scald at once: lid and face away, sleeves and cables clear, the probe held by "
    "tongs or a clamp."
)
GLASS = (
    "Glass cracks when it goes from hot to cold or back: use steel or plastic for both baths, never a hot "
    "glass into ice."
)
PROBE = "Check that the probe and its seal bear boiling water; many plastic handles and bench probes do not."
WET = "Keep plugs, boards and chargers out of reach of the water."
FOOD = "Wash the probe before it meets a drink again; not every probe is made for food."
LEVEL = "Level the scale, keep draughts and wet cloths off it, and do not load it beyond its limit."
STOOD = "Use water that has stood in the room, fill to the mark at eye level, dry the outside."
CHIPPED = "Wet glass slips, and chipped glass does not go near a drink."

AT_ICE = (GLASS, WET, FOOD)
AT_BOILING = (STEAM, PROBE, GLASS, WET, FOOD)
IN_A_BATH = (STEAM, GLASS, WET, FOOD)
AT_A_PLUNGE = (GLASS, STEAM, WET, FOOD)
OF_WEIGHTS = (LEVEL,)
OF_A_MEASURE = (STOOD, CHIPPED)
"""What to mind in each way of calibrating."""
