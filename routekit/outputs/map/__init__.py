"""The working map: one page that asks the network for nothing, or several with an index."""

from routekit.outputs.map.builder import build_map
from routekit.outputs.map.writer import write_map

__all__ = ["build_map", "write_map"]
