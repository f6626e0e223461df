"""The whole logbook as open data: a folder of Parquet tables with a Data Package that describes them; and back."""
