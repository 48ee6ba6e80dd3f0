"""The sentences: how verdicts, rules, practice, lessons and collections are said."""
