"""Reads technique cards, checks them, links them and renders the site.

The stages are plain functions from data to data; only the command line
(:mod:`builder.cli`) and the site hook (:mod:`builder.site`) compose them.
Importing this package does nothing else.
"""

__version__ = "0.1.0"
