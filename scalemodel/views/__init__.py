"""What a person looks at: terminal tables, figures, pages."""
