"""What may be claimed: one module a standard, each in the standard's own terms, figures withheld where they mislead."""
