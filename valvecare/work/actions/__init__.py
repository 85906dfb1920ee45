"""One verb per file: each opens its transaction, takes the row, decides, writes, tells."""
