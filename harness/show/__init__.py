"""Tables and pictures of assessments and stored runs; defines no calculation."""
