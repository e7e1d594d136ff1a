"""A mix beside references: how it differs, and which broad moves would bring it nearer."""
