"""What people see: records, figures, pages."""
