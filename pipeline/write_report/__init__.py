"""What a creator shows and says: estimates with their intervals, pictures, quotes, cautions, one page of it all."""
