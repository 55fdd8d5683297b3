//! The ONNX runtime: finds its library, loads networks, runs them. The only file that names the runtime.

use std::env;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use ort::environment::Environment;
use ort::ep::cuda::ConvAlgorithmSearch;
use ort::ep::{CUDA, ExecutionProvider};
use ort::session::Session;
use ort::value::TensorRef;
use sha2::{Digest, Sha256};

use super::DetectError;
use super::manifest::Manifest;

/// File name of the runtime's library.
const LIBRARY: &str = "libonnxruntime.so";

/// Where the project's set-up puts it, from the project's folder.
const SET_UP: &str = ".setup/onnxruntime";

/// Where the shipped networks lie, from the project's folder.
const MODELS: &str = "models";

/// Names a library file of one's own.
const VARIABLE: &str = "ORT_DYLIB_PATH";

/// The one runtime of this process: the library allows no second. Empty until it was loaded.
static LOADED: Mutex<Option<Runtime>> = Mutex::new(None);

/// What the networks run on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Device {
    /// The processor.
    #[default]
    Cpu,
    /// An NVIDIA GPU, the first one.
    Cuda,
}

/// The loaded runtime. Cheap to clone; all clones are one library.
#[derive(Clone)]
pub struct Runtime {
    environment: Environment,
    library: PathBuf,
    device: Device,
}

impl Runtime {
    /// Finds and loads the runtime's library: the file that `ORT_DYLIB_PATH` names; else beside the program or in
    /// `../lib`; else `.setup/onnxruntime` of the project's folder (one that holds the program, the current folder, or
    /// the one that the program was built in). Loaded once; later calls give the same.
    ///
    /// # Errors
    /// [`DetectError::RuntimeMissing`] when no such file exists, [`DetectError::RuntimeBroken`] when it does not load.
    pub fn load() -> Result<Self, DetectError> {
        let mut loaded = LOADED.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(runtime) = loaded.as_ref() {
            return Ok(runtime.clone());
        }
        let named = env::var_os(VARIABLE).filter(|v| !v.is_empty()).map(PathBuf::from);
        let looked = match named {
            Some(path) => vec![path],
            None => library_places(&project_folders()),
        };
        let path = first_file(looked)?;
        tracing::debug!(path = %path.display(), "ONNX runtime");
        let broken = |reason: String| DetectError::RuntimeBroken {
            path: path.clone(),
            reason,
        };
        let environment = ort::init_from(&path)
            .map_err(|e| broken(e.to_string()))?
            .with_name("twinmound")
            .build()
            .map_err(|e| broken(e.to_string()))?;
        let runtime = Self {
            environment,
            library: path.clone(),
            device: Device::Cpu,
        };
        *loaded = Some(runtime.clone());
        Ok(runtime)
    }

    /// The same runtime, whose networks run on a device.
    ///
    /// # Errors
    /// [`DetectError::CudaNotBuilt`] when the library was built without CUDA. A missing GPU or CUDA library shows only
    /// when a network is loaded: [`DetectError::CudaUnusable`].
    pub fn on(self, device: Device) -> Result<Self, DetectError> {
        if device == Device::Cuda && !CUDA::is_available().unwrap_or(false) {
            return Err(DetectError::CudaNotBuilt {
                library: self.library,
            });
        }
        Ok(Self { device, ..self })
    }
}

/// The folder of the shipped networks: `models` of the project's folder, or `../share/twinmound/models` of the program.
///
/// # Errors
/// [`DetectError::NoModelsFolder`] with the places looked at.
pub fn shipped_models() -> Result<PathBuf, DetectError> {
    let folders = project_folders();
    let installed = folders.first().map(|exe| exe.join("../share/twinmound/models"));
    let looked: Vec<PathBuf> = installed
        .into_iter()
        .chain(folders.iter().map(|f| f.join(MODELS)))
        .collect();
    match looked.iter().find(|p| p.join("locator.toml").is_file()) {
        Some(folder) => Ok(folder.clone()),
        None => Err(DetectError::NoModelsFolder { looked }),
    }
}

/// Folders in which the project's files may lie, nearest first: the program's own and those that hold it, the current
/// one, the one the program was built in.
fn project_folders() -> Vec<PathBuf> {
    let mut folders = Vec::new();
    if let Ok(program) = env::current_exe() {
        // target/release/deps/program is four folders deep.
        folders.extend(program.ancestors().skip(1).take(5).map(Path::to_path_buf));
    }
    folders.extend(env::current_dir());
    folders.push(PathBuf::from(env!("CARGO_MANIFEST_DIR")));
    folders
}

fn library_places(folders: &[PathBuf]) -> Vec<PathBuf> {
    let beside = folders
        .first()
        .into_iter()
        .flat_map(|f| [f.join(LIBRARY), f.join("../lib").join(LIBRARY)]);
    let mut places: Vec<PathBuf> = Vec::new();
    for place in beside.chain(folders.iter().map(|f| f.join(SET_UP).join(LIBRARY))) {
        if !places.contains(&place) {
            places.push(place);
        }
    }
    places
}

fn first_file(looked: Vec<PathBuf>) -> Result<PathBuf, DetectError> {
    match looked.iter().find(|p| p.is_file()) {
        Some(path) => Ok(path.clone()),
        None => Err(DetectError::RuntimeMissing { looked }),
    }
}

/// One output of a network.
#[derive(Clone, Debug)]
pub(super) struct Output {
    /// Sizes of its axes.
    pub(super) shape: Vec<usize>,
    /// Values, last axis fastest.
    pub(super) data: Vec<f32>,
}

/// A loaded network.
pub(super) struct Network {
    session: Session,
    name: String,
    input: String,
}

impl Network {
    /// Reads manifest and file, checks the hash, loads the network on `threads` threads.
    pub(super) fn load<M: Manifest>(
        runtime: &Runtime,
        manifest_path: &Path,
        threads: usize,
    ) -> Result<(Self, M), DetectError> {
        let unreadable = |path: &Path| {
            let path = path.to_path_buf();
            move |source| DetectError::ModelFile { path, source }
        };
        let text = fs::read_to_string(manifest_path).map_err(unreadable(manifest_path))?;
        let manifest = M::parse(&text).map_err(|source| DetectError::Manifest {
            path: manifest_path.to_path_buf(),
            source,
        })?;
        let path = manifest_path.with_file_name(&manifest.network().file);
        let bytes = fs::read(&path).map_err(unreadable(&path))?;
        let found = hexadecimal(&Sha256::digest(&bytes));
        if !found.eq_ignore_ascii_case(&manifest.network().sha256) {
            return Err(DetectError::ModelHash {
                path,
                expected: manifest.network().sha256.clone(),
                found,
            });
        }
        let refused = |reason: String| DetectError::ModelRefused {
            path: path.clone(),
            reason,
        };
        let mut builder = Session::builder(&runtime.environment)
            .map_err(|e| refused(e.to_string()))?
            .with_intra_threads(threads.max(1))
            .map_err(|e| refused(e.to_string()))?
            // Waiting threads must not spin: another phone's pictures, or another program, need the cores.
            .with_intra_op_spinning(false)
            .map_err(|e| refused(e.to_string()))?;
        if runtime.device == Device::Cuda {
            cuda()
                .register(&mut builder)
                .map_err(|e| DetectError::CudaUnusable {
                    library: runtime.library.clone(),
                    reason: e.to_string(),
                })?;
        }
        let session = builder
            .commit_from_memory(&bytes)
            .map_err(|e| refused(e.to_string()))?;
        let input = manifest.values().name.clone();
        if !session.inputs().iter().any(|i| i.name() == input) {
            return Err(refused(format!("it has no input '{input}'")));
        }
        let name = manifest.network().file.clone();
        Ok((Self { session, name, input }, manifest))
    }

    /// Fails unless the network has an output of this name.
    pub(super) fn need_output(&self, output: &str) -> Result<(), DetectError> {
        if self.session.outputs().iter().any(|o| o.name() == output) {
            return Ok(());
        }
        Err(DetectError::Network {
            network: self.name.clone(),
            reason: format!("it has no output '{output}'"),
        })
    }

    /// Runs the network on `[n, 3, height, width]` values and gives the named outputs in order, each with `n` as its
    /// first axis and as many axes as `axes` says.
    pub(super) fn run(
        &mut self,
        shape: [usize; 4],
        values: &[f32],
        wanted: &[(&str, usize)],
    ) -> Result<Vec<Output>, DetectError> {
        let name = &self.name;
        let failed = |reason: String| DetectError::Network {
            network: name.clone(),
            reason,
        };
        let tensor = TensorRef::from_array_view((shape, values)).map_err(|e| failed(e.to_string()))?;
        let given = ort::inputs![self.input.as_str() => tensor];
        let outputs = self.session.run(given).map_err(|e| failed(e.to_string()))?;
        let mut results = Vec::with_capacity(wanted.len());
        for &(output, axes) in wanted {
            let value = outputs
                .get(output)
                .ok_or_else(|| failed(format!("it has no output '{output}'")))?;
            let (sizes, data) = value
                .try_extract_tensor::<f32>()
                .map_err(|e| failed(e.to_string()))?;
            let sizes: Vec<usize> = sizes.iter().map(|&s| usize::try_from(s).unwrap_or(0)).collect();
            if sizes.len() != axes || sizes.first() != Some(&shape[0]) {
                return Err(failed(format!(
                    "its output '{output}' has the sizes {sizes:?}; {axes} axes beginning with {} are needed",
                    shape[0]
                )));
            }
            results.push(Output {
                shape: sizes,
                data: data.to_vec(),
            });
        }
        Ok(results)
    }
}

/// Full single precision, for the processor's answers; no search for the fastest kernel anew for each batch size.
fn cuda() -> CUDA {
    CUDA::default()
        .with_tf32(false)
        .with_conv_algorithm_search(ConvAlgorithmSearch::Heuristic)
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::locator_manifest::LocatorManifest;

    #[test]
    fn the_library_is_looked_for_beside_the_program_first() {
        let places = library_places(&[
            PathBuf::from("/opt/bin"),
            PathBuf::from("/opt"),
            PathBuf::from("/opt"),
        ]);
        let expected = [
            "/opt/bin/libonnxruntime.so",
            "/opt/bin/../lib/libonnxruntime.so",
            "/opt/bin/.setup/onnxruntime/libonnxruntime.so",
            "/opt/.setup/onnxruntime/libonnxruntime.so",
        ];
        assert_eq!(places, expected.map(PathBuf::from));
    }

    #[test]
    fn a_missing_library_says_where_it_was_looked_for_and_what_to_do() {
        let message = first_file(vec![PathBuf::from("/nowhere/libonnxruntime.so")])
            .unwrap_err()
            .to_string();
        assert!(message.contains("/nowhere/libonnxruntime.so"), "{message}");
        assert!(
            message.contains("models/fetch_runtime.py") && message.contains(VARIABLE),
            "{message}"
        );
    }

    /// Where the library has CUDA in it the networks must load on it, or say why not; where it has none it is said at once.
    #[test]
    fn cuda_asked_for_is_cuda_or_a_refusal() {
        let manifest = shipped_models().unwrap().join("locator.toml");
        let asked = Runtime::load().unwrap().on(Device::Cuda).and_then(|runtime| {
            assert!(CUDA::is_available().unwrap());
            Network::load::<LocatorManifest>(&runtime, &manifest, 1).map(|_| ())
        });
        if let Err(error) = asked {
            let cuda = matches!(
                error,
                DetectError::CudaNotBuilt { .. } | DetectError::CudaUnusable { .. }
            );
            let message = error.to_string();
            assert!(
                cuda && message.contains("hint: ") && message.contains(VARIABLE),
                "{message}"
            );
        }
        // The processor serves all the same.
        Network::load::<LocatorManifest>(&Runtime::load().unwrap(), &manifest, 1).unwrap();
    }

    /// NIST's example for SHA-256 of "abc" (FIPS 180-2, appendix B.1).
    #[test]
    fn the_hash_is_written_as_the_manifest_writes_it() {
        assert_eq!(
            hexadecimal(&Sha256::digest(b"abc")),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn a_changed_file_and_a_missing_file_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let manifest = folder.path().join("m.toml");
        let text = r#"
            kind = "locator"
            file = "m.onnx"
            sha256 = "00"
            licence = "MIT"
            input = { name = "image", mean = 0.0, scale = 1.0, longest_px = 448, multiple_px = 32 }
            output = { center = "c", box_scale = "s", box_offset = "o" }
            decoding = { stride_px = 4, least_score = 0.3 }
            "#;
        fs::write(&manifest, text).unwrap();
        let runtime = Runtime::load().unwrap();
        let missing = Network::load::<LocatorManifest>(&runtime, &manifest, 1)
            .map(|_| ())
            .unwrap_err();
        assert!(matches!(missing, DetectError::ModelFile { .. }), "{missing}");
        fs::write(folder.path().join("m.onnx"), b"not a network").unwrap();
        let changed = Network::load::<LocatorManifest>(&runtime, &manifest, 1)
            .map(|_| ())
            .unwrap_err();
        assert!(matches!(changed, DetectError::ModelHash { .. }), "{changed}");
        let right = hexadecimal(&Sha256::digest(b"not a network"));
        fs::write(&manifest, text.replace("\"00\"", &format!("\"{right}\""))).unwrap();
        let refused = Network::load::<LocatorManifest>(&runtime, &manifest, 1)
            .map(|_| ())
            .unwrap_err();
        assert!(matches!(refused, DetectError::ModelRefused { .. }), "{refused}");
    }
}
