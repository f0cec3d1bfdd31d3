"""What the ice is: layers and their optical lengths, as plain values."""
