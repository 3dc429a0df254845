"""How API lists are cut into pages."""

from rest_framework.pagination import PageNumberPagination


class Pages(PageNumberPagination):
    """Fifty rows a page; `page_size` up to 200."""

    page_size = 50
    page_size_query_param = "page_size"
    max_page_size = 200
