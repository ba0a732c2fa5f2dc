"""What a keeper can do about each kind of probe fault: one or two sentences a kind."""

from sensord.readings import FaultKind

REMEDIES: dict[FaultKind, str] = {
    FaultKind.NO_RESPONSE: (
        "The probe does not answer. Check its plug and cable; a probe that is plugged in again is found within"
        " about ten seconds."
    ),
    FaultKind.CRC_ERROR: (
        "What arrived was damaged on the way. Shorten the cable, keep it away from mains leads, check for loose"
        " contacts, and try a stronger pull-up (2.2 kΩ) with several probes or a long cable."
    ),
    FaultKind.POWER_ON_VALUE: (
        "The probe restarted and shows its power-on value of 85 °C. Look for a loose red (3.3 V) wire or a weak"
        " power supply; use all three wires."
    ),
    FaultKind.ZERO_SCRATCHPAD: (
        "The data line is held to ground, so nothing on this bus can answer. Unplug the probes one by one until the"
        " others return: the last one, its plug or its cable is short-circuited (often water)."
    ),
    FaultKind.OUT_OF_SPAN: (
        "The probe shows a temperature that it cannot have measured. Check its 3.3 V wire; if it comes again,"
        " replace the probe."
    ),
    FaultKind.IMPLAUSIBLE_STEP: (
        "The temperature jumped faster than this place can change. See whether the probe fell, was moved or touched;"
        " otherwise its contact is loose."
    ),
    FaultKind.FROZEN: (
        "The reading has not changed by the smallest step for a long time. Warm the probe in your hand: if the number"
        " stays, unplug it for ten seconds, and replace it if that does not help."
    ),
    FaultKind.LATE: (
        "The bus did not answer in time. Unplug the probes of this bus one by one to find the one that blocks it;"
        " if none does, restart the Pi. Watch the birds yourself until then."
    ),
    FaultKind.BUS_ERROR: (
        "The one-wire bus cannot be read. Check that the one-wire overlay is enabled, the 4.7 kΩ pull-up is fitted"
        " and the probe's wires are on the right pins; the log has the details."
    ),
}
"""Every kind of fault has a remedy; care for the birds first, then for the wire."""
