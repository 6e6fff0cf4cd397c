"""What the screens show, decided without Qt: words, shapes, numbers, colours."""
