"""Signs of fire: frames in and signs out (numpy), all signs in and a verdict out (pure)."""
