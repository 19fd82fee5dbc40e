"""What the desk's pages show, ready for templates: words instead of numbers to be formatted."""
