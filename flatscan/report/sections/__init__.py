"""What each part of a result says: values, sentences, facts and tables, each number once."""
