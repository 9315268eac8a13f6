"""The desk's page on which a dealer sets up the website's form, its look, where messages go, and the keys."""

from service.pages.website.routes import router

__all__ = ["router"]
