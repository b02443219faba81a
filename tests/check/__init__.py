"""The main job as a function: two sides in, an evidence folder out."""
