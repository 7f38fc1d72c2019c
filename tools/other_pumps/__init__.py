"""A second maker of pumps, written apart from the shape builders of `tools.render`: see README.md."""

from tools.other_pumps.build import other_pump

__all__ = ["other_pump"]
