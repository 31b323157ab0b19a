"""The course: what-if panels and exercises, one module for each lesson, and the workbench."""
