"""Public names of echotrace, by the way of the data; the one list of them (see ``_public.py``)."""
# ruff: noqa: I001

# -- read and write
from echotrace.files.decisions_file import read_decisions as read_decisions
from echotrace.files.decisions_file import write_decisions as write_decisions
from echotrace.files.description import ImportDescription as ImportDescription
from echotrace.files.description import read_description as read_description
from echotrace.files.description import write_description as write_description
from echotrace.files.foreign import Foreign as Foreign
from echotrace.files.importing import import_recording as import_recording
from echotrace.files.template_file import write_template as write_template
from echotrace.signal.echo_template import EchoTemplate as EchoTemplate
from echotrace.signal.echo_template import read_template as read_template
from echotrace.files.native import read_measurement as read_measurement
from echotrace.files.native import read as read
from echotrace.files.native import write_measurement as write_measurement
from echotrace.files.native import write as write
from echotrace.files.readers import Reader as Reader
from echotrace.files.readers import register_reader as register_reader
from echotrace.recording import Probe as Probe
from echotrace.recording import Receiver as Receiver
from echotrace.recording import Recording as Recording
from echotrace.recording import Truth as Truth

# -- simulate
from echotrace.synthesis.compose import Synthesis as Synthesis
from echotrace.synthesis.compose import synthesise as synthesise
from echotrace.synthesis.scenario_model import Scenario as Scenario
from echotrace.synthesis.scenario import read_scenario as read_scenario

# -- targets and settings
from echotrace.settings import Settings as Settings
from echotrace.settings import read_settings as read_settings
from echotrace.signal.gates import Gate as Gate
from echotrace.sitting_limits import SittingLimits as SittingLimits
from echotrace.target import Interface as Interface
from echotrace.target import Segment as Segment
from echotrace.target import Target as Target
from echotrace.target import eye_target as eye_target
from echotrace.target import read_target as read_target

# -- measure
from echotrace.chain.by_hand import decide_by_hand as decide_by_hand
from echotrace.chain.measure import measure as measure
from echotrace.chain.measured_template import measure_template as measure_template
from echotrace.decisions import Decisions as Decisions
from echotrace.decisions import HandGate as HandGate
from echotrace.decisions import HandPick as HandPick
from echotrace.many.summaries import GroupSummary as GroupSummary
from echotrace.many.summaries import ManySummary as ManySummary
from echotrace.many.many_files import measure_many as measure_many
from echotrace.many.to_file import measure_to_file as measure_to_file
from echotrace.measurement import Measurement as Measurement
from echotrace.quality.finding_list import Finding as Finding

# -- bounds and tuning
from echotrace.bounds.delay import delay_bound as delay_bound
from echotrace.bounds.detection import DetectionCurve as DetectionCurve
from echotrace.bounds.detection import detection_curves as detection_curves
from echotrace.bounds.outside import library_pickers as library_pickers
from echotrace.bounds.outside_picks import outside_decisions as outside_decisions
from echotrace.bounds.picker_trials import PickerErrors as PickerErrors
from echotrace.bounds.picker_trials import picker_errors as picker_errors
from echotrace.reference_block.check import BlockCheck as BlockCheck
from echotrace.reference_block.check import check_block as check_block
from echotrace.reference_block.log import BlockRecord as BlockRecord
from echotrace.reference_block.log import read_block_log as read_block_log
from echotrace.tuning.report import tuning_text as tuning_text
from echotrace.tuning.report import write_tuned_settings as write_tuned_settings
from echotrace.tuning.sensitivity import Sensitivity as Sensitivity
from echotrace.tuning.space import Space as Space
from echotrace.tuning.space import read_space as read_space
from echotrace.tuning.sweep import Tuning as Tuning
from echotrace.tuning.sweep import tune as tune

# -- the steps on arrays
from echotrace.media import Medium as Medium
from echotrace.media import medium as medium
from echotrace.signal.pulse import Pulse as Pulse
from echotrace.signal.pulse import gaussian_pulse as gaussian_pulse
from echotrace.signal.receiver import Undone as Undone
from echotrace.signal.receiver import undo_receiver as undo_receiver
from echotrace.signal.conditioning import Conditioned as Conditioned
from echotrace.signal.conditioning import condition as condition
from echotrace.signal.candidates import Candidates as Candidates
from echotrace.signal.candidates import find_echoes as find_echoes
from echotrace.signal.choice import echoes_in_gates as echoes_in_gates
from echotrace.signal.picking import PickReason as PickReason
from echotrace.signal.picking import Picks as Picks
from echotrace.signal.picking import pick_echoes as pick_echoes
from echotrace.signal.picking import Picker as Picker
from echotrace.signal.picking import PickerSettings as PickerSettings
from echotrace.signal.picking import EchoWindows as EchoWindows
from echotrace.signal.picking import register_picker as register_picker
from echotrace.signal.lengths import Lengths as Lengths
from echotrace.signal.lengths import measure_lengths as measure_lengths

# -- a sitting
from echotrace.sittings.finding import SittingFinding as SittingFinding
from echotrace.sittings.sitting import SittingSummary as SittingSummary
from echotrace.sittings.sitting import summarise as summarise
from echotrace.sittings.sitting_quality import SittingJudgement as SittingJudgement
from echotrace.sittings.sitting_quality import judge_sittings as judge_sittings

# -- studies
from echotrace.agreement.compare import Agreement as Agreement
from echotrace.agreement.compare import compare_methods as compare_methods
from echotrace.agreement.limits import Limits as Limits
from echotrace.agreement.repeatability import Repeatability as Repeatability
from echotrace.agreement.sample_size import equivalence_power as equivalence_power
from echotrace.agreement.sample_size import eyes_for_spread_ratio as eyes_for_spread_ratio
from echotrace.agreement.sample_size import limits_power as limits_power
from echotrace.agreement.sample_size import spread_heterogeneity as spread_heterogeneity
from echotrace.agreement.sample_size import spread_ratio_power as spread_ratio_power
from echotrace.agreement.sample_size import subjects_for_equivalence as subjects_for_equivalence
from echotrace.agreement.sample_size import subjects_for_limits as subjects_for_limits
from echotrace.agreement.study import Study as Study
from echotrace.agreement.variance import Estimate as Estimate

# -- lens power
from echotrace import power as power

# -- pictures
from echotrace.figures.agreement import plot_differences as plot_differences
from echotrace.figures.agreement import plot_spreads as plot_spreads
from echotrace.figures.bounds import plot_picker_errors as plot_picker_errors
from echotrace.figures.detection import detection_figure as detection_figure
from echotrace.figures.plans import power_plot as power_plot
from echotrace.figures.tuning import tuning_figure as tuning_figure
from echotrace.figures.template import plot_template as plot_template
from echotrace.figures.trace import plot_trace as plot_trace

# -- errors
from echotrace.errors import EchotraceError as EchotraceError
from echotrace.errors import EchotraceWarning as EchotraceWarning

__version__: str
__all__: list[str]
PUBLIC_GROUPS: dict[str, dict[str, tuple[str, str]]]
