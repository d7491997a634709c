"""How well odd panels are explained: judged on simulated specimens that are made by other figures than the explanation assumes."""
