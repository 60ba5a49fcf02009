"""What people see: sentences, tables, the drawn flowsheet, plots and files."""
