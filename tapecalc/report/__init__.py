"""Plans and measurements as text, pages and folders."""
