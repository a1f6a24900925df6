"""Selecting facets, for instance those to keep free of marks and steps.

Every function takes a Mesh and returns one flag a facet, a bool array of shape (m,); combine them
with numpy's `&`, `|` and `~` and hand them to `Part.marked`. Raises OptionError when a number
makes no sense.
"""

from vatwright._core import by_box, by_cylinder, by_normal, by_plane, by_sphere, patch

__all__ = ["by_box", "by_cylinder", "by_normal", "by_plane", "by_sphere", "patch"]
