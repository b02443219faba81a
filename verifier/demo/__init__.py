"""The sample trees: two sides of a move, every difference that a move can make, and what a check must find.

Git keeps neither times nor modes nor every name, so it holds one tree of plainly named files,
``sample_trees/old``, and a table, ``planting.toml``, of what is to be made of it on either side. Both trees
are grown in memory from these two and written out at once: what differs is what the table says, and nothing
else.
"""

from verifier.demo.at_work import somebody_at_work
from verifier.demo.expected import PlantedDifference
from verifier.demo.layout import DemoTrees, lay_out, sample_trees_folder

__all__ = ["DemoTrees", "PlantedDifference", "lay_out", "sample_trees_folder", "somebody_at_work"]
