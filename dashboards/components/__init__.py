"""Parts used by more than one page: words, marks, tables, charts, the map, addresses."""
