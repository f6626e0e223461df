"""Reading bench folders and tables that others wrote."""
