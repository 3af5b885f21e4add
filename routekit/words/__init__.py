"""Words: texts as a sentence with values, put into words of any language when they are shown."""
