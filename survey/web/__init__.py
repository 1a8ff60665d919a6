"""The marking page's back end: see docs/page.md. `survey.web.serving.open_page` opens a page.

Nothing is imported here, so that the processes beside the server load what they use and no more.
"""
