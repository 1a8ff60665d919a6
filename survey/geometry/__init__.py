"""Rotations, the camera and planes, from first principles: no roof words."""

from __future__ import annotations

from survey.geometry.cameras import (
    Projection,
    project,
    project_with_derivatives,
    rays,
    to_camera,
    undistort,
)
from survey.geometry.planes import (
    fall_gradient,
    fit_plane,
    meet_plane,
    meet_rays,
    polygon_area_vector,
)
from survey.geometry.rotations import (
    cross_matrix,
    nearest_rotation,
    rotation_from_vector,
    tangent_basis,
    vector_from_rotation,
)

__all__ = [
    "Projection",
    "cross_matrix",
    "fall_gradient",
    "fit_plane",
    "meet_plane",
    "meet_rays",
    "nearest_rotation",
    "polygon_area_vector",
    "project",
    "project_with_derivatives",
    "rays",
    "rotation_from_vector",
    "tangent_basis",
    "to_camera",
    "undistort",
    "vector_from_rotation",
]
