"""Checks of a measured field and of the fields of a study against faults of focus, light, camera, file and scale."""

from micro.checks.across import check_across
from micro.checks.field import check_field
from micro.checks.trouble import Trouble

__all__ = ["Trouble", "check_across", "check_field"]
