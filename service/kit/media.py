"""Media types of what is sent and answered."""

JSON, NDJSON, CSV = "application/json", "application/x-ndjson", "text/csv"
HTML = "text/html"
PDF = "application/pdf"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
