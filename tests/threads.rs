//! Results travel between threads and outlive what they came from: this file compiles, or they do not.

use surface_severity::bootstrap::{Bootstrap, BootstrapInterval, Replicates, SeverityBootstrap};
use surface_severity::campaign::{Campaign, CampaignBuilder, CampaignReader, Decisions, Trial};
use surface_severity::correction::{CorrectedTime, Correction, CorrectionOptions, LabReport, LabReports};
use surface_severity::equivalence::{Equivalence, EquivalenceDocument, EquivalenceFit};
use surface_severity::screening::{InfluenceTable, Screening, ScreeningDocument, ScreeningReport};
use surface_severity::severity::mixed::{CensoredMixedFit, CensoredMixedModel, LinearMixedFit, LinearMixedModel};
use surface_severity::severity::{
    Additivity, CellMeans, ClassFactors, DistributionComparison, EqualScatter, RobustFit, Severity, SeverityDocument,
    SeverityFit, TrialDiagnostics, UnequalScatter,
};
use surface_severity::study::{Study, StudyResult};
use surface_severity::tables::Table;
use surface_severity::{Error, Estimate, Interval};

macro_rules! travel {
    ($($type:ty),* $(,)?) => {{
        fn travels<T: Send + Sync + Unpin + std::fmt::Debug + 'static>() -> &'static str {
            std::any::type_name::<T>()
        }
        [$(travels::<$type>()),*]
    }};
}

#[test]
fn results_are_send_and_sync() {
    let names = travel![
        Error,
        Estimate,
        Interval,
        Table,
        Campaign,
        CampaignBuilder,
        CampaignReader,
        Decisions,
        Trial,
        Severity,
        SeverityFit,
        SeverityDocument,
        CellMeans,
        Additivity,
        ClassFactors,
        DistributionComparison,
        EqualScatter,
        UnequalScatter,
        RobustFit,
        TrialDiagnostics,
        Study,
        StudyResult,
        LinearMixedModel,
        LinearMixedFit,
        CensoredMixedModel,
        CensoredMixedFit,
        Bootstrap,
        BootstrapInterval,
        Replicates,
        SeverityBootstrap,
        Screening,
        ScreeningReport,
        ScreeningDocument,
        InfluenceTable,
        Equivalence,
        EquivalenceFit,
        EquivalenceDocument,
        Correction,
        CorrectionOptions,
        CorrectedTime,
        LabReport,
        LabReports,
    ];
    assert_eq!(names.len(), 42);
    #[cfg(feature = "report")]
    {
        use surface_severity::report::{CorrectionSheet, Page, Plot, PlotOptions};
        let names = travel![Plot, PlotOptions, Page<'static>, CorrectionSheet<'static>];
        assert_eq!(names.len(), 4);
    }
}
