"""The casebook: cases on file, and answers files that replay one."""
