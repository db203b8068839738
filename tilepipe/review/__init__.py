"""The review page: a recipe's picture, steps, masks and problems in a browser on the own machine."""
