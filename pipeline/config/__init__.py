"""What the creator writes, as typed and validated models."""
