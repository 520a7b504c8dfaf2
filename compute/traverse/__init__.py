"""From a field book, angles or courses to closed and adjusted stations, and shots from them."""
