"""What the crew wrote down: car, event and parts as frozen records, and the reader that makes them."""
