"""Media types of what is sent and answered."""

JSON, NDJSON, CSV = "application/json", "application/x-ndjson", "text/csv"
HTML = "text/html"
PDF = "application/pdf"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
XLSM = "application/vnd.ms-excel.sheet.macroenabled.12"  # the macros in it are never looked at
