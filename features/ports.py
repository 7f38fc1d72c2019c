"""Which port standard and nominal size the measured flange or thread agrees with."""

from dataclasses import dataclass


@dataclass(frozen=True)
class PortSize:
    """One possible port.

    Attributes:
        standard: "ASME B16.5 Class 150", "EN 1092-1 PN10/16", "JIS B2220 10K", "NPT" or "BSP".
        nominal_in: nominal size in inches as the trade writes it, e.g. "1-1/2".
        dn: nominal diameter DN.
        probability: over all listed, sums to 1.
    """

    standard: str
    nominal_in: str
    dn: int
    probability: float
