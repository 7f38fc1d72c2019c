"""The plain way to compare with: scikit-learn's nearest neighbor over standardized log lengths and one-hot attributes.

Missing lengths are filled with the set's mean, as is usual; a pump's attributes are the ones seen most likely.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from sklearn.impute import SimpleImputer
from sklearn.neighbors import NearestNeighbors
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler

from features.survey import Survey
from identify.matching.family_table import attributes_of
from reference_geometry.families import LENGTH_NAMES, Family

Array = NDArray[np.float64]


class NearestFamily:
    """A fitted search over the families of a set."""

    def __init__(self, families: Sequence[Family], attributes: Sequence[str]) -> None:
        self._families = families
        own = [attributes_of(family) for family in families]
        self._pairs = sorted({(name, a[name]) for a in own for name in attributes if name in a})
        lengths = [{name: known.mean_mm for name, known in family.lengths.items()} for family in families]
        rows = np.array([self._row(mm, a) for mm, a in zip(lengths, own, strict=True)])
        self._prepare: Pipeline = make_pipeline(SimpleImputer(keep_empty_features=True), StandardScaler())
        self._search = NearestNeighbors(n_neighbors=3).fit(self._prepare.fit_transform(rows))

    def nearest(self, survey: Survey) -> list[str]:
        """Ids of the three nearest families, nearest first."""
        mm = {length.name: length.value_mm for length in survey.lengths}
        seen = {e.name: max(e.likelihood.items(), key=lambda item: item[1])[0] for e in survey.attributes}
        places = self._search.kneighbors(self._prepare.transform([self._row(mm, seen)]), return_distance=False)[0]
        return [self._families[int(place)].family_id for place in places]

    def _row(self, mm: dict[str, float], attributes: dict[str, str]) -> Array:
        logs = [np.log(mm[name]) if name in mm else np.nan for name in LENGTH_NAMES]
        hot = [float(attributes.get(name) == value) for name, value in self._pairs]
        return np.array([*logs, *hot])
