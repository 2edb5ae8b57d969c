"""Test sheets as workbooks and tables: what is written, what is read back, what is refused."""
