"""The marking page's back end. See docs/page.md."""

from survey.web.serving import Page, open_page

__all__ = ["Page", "open_page"]
