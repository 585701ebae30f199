"""Everything from a wire to a sealed recording; knows no refrigerant."""
