"""Published dimensions: flanges, threads, pipe, fasteners, coins and flat references, with sources."""

from reference_geometry.standards.coins import Coin, CoinNotFound, coins, find_coin
from reference_geometry.standards.fasteners import AcrossFlats, Fastener, across_flats, fasteners, find_fastener
from reference_geometry.standards.flanges import (
    ASME_150,
    EN_PN10_16,
    FLANGE_STANDARDS,
    JIS_10K,
    Flange,
    find_flange,
    flanges,
)
from reference_geometry.standards.flat_references import FlatReference, find_flat_reference, flat_references
from reference_geometry.standards.pipe import Pipe, find_pipe, pipes
from reference_geometry.standards.port_standards import (
    PORT_STANDARDS,
    PortStandard,
    parse_port_standard,
)
from reference_geometry.standards.sizes import NOMINAL_SIZES, NominalSize, parse_size, size_of
from reference_geometry.standards.table import Provenance
from reference_geometry.standards.threads import (
    BSP,
    NPT,
    THREAD_STANDARDS,
    PipeThread,
    find_thread,
    threads,
)

__all__ = [
    "ASME_150",
    "BSP",
    "EN_PN10_16",
    "FLANGE_STANDARDS",
    "JIS_10K",
    "NOMINAL_SIZES",
    "NPT",
    "PORT_STANDARDS",
    "THREAD_STANDARDS",
    "AcrossFlats",
    "Coin",
    "CoinNotFound",
    "Fastener",
    "Flange",
    "FlatReference",
    "NominalSize",
    "Pipe",
    "PipeThread",
    "PortStandard",
    "Provenance",
    "across_flats",
    "coins",
    "fasteners",
    "find_coin",
    "find_fastener",
    "find_flange",
    "find_flat_reference",
    "find_pipe",
    "find_thread",
    "flanges",
    "flat_references",
    "parse_port_standard",
    "parse_size",
    "pipes",
    "size_of",
    "threads",
]
