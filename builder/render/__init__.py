"""The library as pages. Pure: no disk but its own templates, no clock, no git, no MkDocs."""

from .pages import Page, Planned, fields_page, plan, problem_page, templates

__all__ = ["Page", "Planned", "fields_page", "plan", "problem_page", "templates"]
