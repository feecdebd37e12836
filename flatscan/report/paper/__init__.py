"""Sheets to print: words, tables, boxes to tick and to sign, flowing over pages of A4 or letter."""
