"""The library as pages. Pure: no disk but its own templates, no clock, no git, no MkDocs."""

from .pages import Page, fields_page, problem_page, render

__all__ = ["Page", "fields_page", "problem_page", "render"]
