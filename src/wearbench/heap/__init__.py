"""The heap: exports as they came, read, told apart and copied to their places in a study."""

from wearbench.heap.answers import Answers, checked, layouts_text, read_answers
from wearbench.heap.copying import ORIGINS, Done, carry_out
from wearbench.heap.files import HeapFile
from wearbench.heap.index import Index, index_place
from wearbench.heap.occasions import Occasion
from wearbench.heap.places import Placing
from wearbench.heap.proposal import Proposal, propose
from wearbench.heap.questions import Question
from wearbench.heap.recorders import Recorder
from wearbench.heap.summary import summary_lines

__all__ = [
    "ORIGINS",
    "Answers",
    "Done",
    "HeapFile",
    "Index",
    "Occasion",
    "Placing",
    "Proposal",
    "Question",
    "Recorder",
    "carry_out",
    "checked",
    "index_place",
    "layouts_text",
    "propose",
    "read_answers",
    "summary_lines",
]
