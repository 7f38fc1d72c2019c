"""Finding parts without a learned model: concentric circles, rings that repeat, and published flange ratios.

It looks for the strongest set of concentric circles and asks whether it is the joint of a liquid chamber or a port.
It is the fallback behind the same interface as the part model, and it is honest about being one: its attribute
likelihoods are as flat as its measured errors (see `features.parts.classical_evidence`).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.circle_in_space import CircleSighting
from features.parts.concentric import ConcentricSet, EdgeField, edge_field, find_concentric
from features.parts.finder import FoundCircle, PartQuestion, PartSightings
from features.parts.front_on import FrontOn, face_plane
from features.parts.trace import TracedCircle, trace_circle

Array = NDArray[np.float64]
