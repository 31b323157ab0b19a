"""The site's program as a module."""

from programs import program

program("site_exercises")
panels = program("site_panels")
program("site_api")
teaching = program("site_teaching")
program("site_find")
gallery = program("site_gallery")
tool = program("site", "site_tool")
