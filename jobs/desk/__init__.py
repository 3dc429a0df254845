"""The office's day, page by page: the morning desk, draft against published, rain, look-ahead."""
