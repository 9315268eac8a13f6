"""The model's page: what the version in use has learnt, for the maker; players appear in it as numbers only.

`page_of` reads the context off the database, `write` makes one self-contained file of it. The same template serves a page
of the desk: it is told what frames it.
"""

from service.modelling.model_page.file import render, write
from service.modelling.model_page.model_page_data import ModelPage
from service.modelling.model_page.page import page_of

__all__ = ["ModelPage", "page_of", "render", "write"]
